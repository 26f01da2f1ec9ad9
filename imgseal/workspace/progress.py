"""Progress on the terminal for reading that takes more than a second; silent everywhere else."""

import sys
import time
from collections.abc import Callable
from typing import BinaryIO, cast

_PATIENCE = 1.0


class _Line:
    """A line on standard error that is written over again: not in the first second, then five times a second."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._next = clock() + _PATIENCE
        self._shown = False

    def show(self, text: Callable[[], str]) -> None:
        if (now := self._clock()) >= self._next:
            self._next = now + 0.2
            self._shown = True
            sys.stderr.write(f"\r{text()}")
            sys.stderr.flush()

    def clear(self) -> None:
        if self._shown:
            self._shown = False
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


class _Watched:
    """A readable stream that says how far it is, on standard error."""

    def __init__(self, stream: BinaryIO, size: int, what: str, clock: Callable[[], float]) -> None:
        self._stream = stream
        self._size = size
        self._what = what
        self._line = _Line(clock)
        self.seek, self.tell = stream.seek, stream.tell

    def read(self, count: int = -1) -> bytes:
        data = self._stream.read(count)
        if data:
            self._line.show(lambda: f"{self._what} {min(100 * self.tell() // max(self._size, 1), 100)} %")
        else:
            self._line.clear()
        return data


def watch(stream: BinaryIO, size: int, what: str, clock: Callable[[], float] = time.monotonic) -> BinaryIO:
    """Return a stream that reads as `stream` does and reports progress when a person is looking.

    Only `read`, `seek` and `tell` are there: what the firmware readers use.
    """
    if not sys.stderr.isatty():
        return stream
    return cast("BinaryIO", _Watched(stream, size, what, clock))


def counter(what: str, clock: Callable[[], float] = time.monotonic) -> Callable[[int, int], None]:
    """Return what shows `3 of 9 files` on a terminal when it takes more than a second, and is silent elsewhere."""
    if not sys.stderr.isatty():
        return lambda _done, _all: None
    line = _Line(clock)

    def show(done: int, everything: int) -> None:
        if done >= everything:
            line.clear()
        else:
            line.show(lambda: f"{done} of {everything} {what}")

    return show
