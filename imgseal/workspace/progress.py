"""Progress on the terminal for reading that takes more than a second; silent everywhere else."""

import sys
import time
from collections.abc import Callable
from typing import BinaryIO, cast

_PATIENCE = 1.0


class _Watched:
    """A readable stream that says how far it is, on standard error."""

    def __init__(self, stream: BinaryIO, size: int, what: str, clock: Callable[[], float]) -> None:
        self._stream = stream
        self._size = size
        self._what = what
        self._clock = clock
        self._next = clock() + _PATIENCE
        self._shown = False

    def read(self, count: int = -1) -> bytes:
        data = self._stream.read(count)
        now = self._clock()
        if data and now >= self._next:
            self._next = now + 0.2
            self._shown = True
            percent = 100 * self._stream.tell() // max(self._size, 1)
            sys.stderr.write(f"\r{self._what} {min(percent, 100)} %")
            sys.stderr.flush()
        elif not data and self._shown:
            self._shown = False
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
        return data

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._stream.seek(offset, whence)

    def tell(self) -> int:
        return self._stream.tell()


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
    following = clock() + _PATIENCE
    shown = False

    def show(done: int, everything: int) -> None:
        nonlocal following, shown
        if done >= everything:
            if shown:
                shown = False
                sys.stderr.write("\r\x1b[K")
                sys.stderr.flush()
        elif (now := clock()) >= following:
            following = now + 0.2
            shown = True
            sys.stderr.write(f"\r{done} of {everything} {what}")
            sys.stderr.flush()

    return show
