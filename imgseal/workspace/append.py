"""Adds lines to a text file that only grows, one process at a time, and reads its last line."""

import os
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from imgseal.errors import InputError, Place
from imgseal.records import NamedTuple
from imgseal.workspace.files import open_input, too_large, unwritable

Whole = Callable[[bytes], bool]
"""Whether bytes without a line feed behind the last one are a complete line all the same."""

_TAIL = 16 << 10
"""Bytes that are read from the end of a file at once: a few lines of a log."""


class Appended(NamedTuple):
    """What was found at the end: bytes of a cut line, which were dropped; whether a line got its line feed."""

    dropped: int
    finished: bool


class _End(NamedTuple):
    """The last line, its offset, and the offset behind it and its line feed, where it has one."""

    line: bytes | None
    begin: int
    end: int
    bare: bool  # it is whole, and has no line feed


def append_line(
    path: str,
    line_limit: int,
    file_limit: int,
    next_line: Callable[[bytes | None, int], bytes | None],
    whole: Whole,
) -> Appended:
    """Add a line to a text file, one process at a time.

    `next_line` gets the last line without its line feed (None where there is none) and its offset, and returns the line
    to add, or None for none. The line is on disk before its line feed is written, and the line feed before this
    returns. So what has no line feed was never acknowledged, or has lost it since: where `whole` says that it is a line
    it is one, and gets its line feed; else the new line is written over it. A file that is missing is made. InputError
    where the file cannot be read or written; then it is as before, and so it is when `next_line` raises.
    """
    existed = os.path.lexists(path)
    try:
        descriptor = _open_locked(path)
    except OSError as error:
        raise unwritable(path, error) from None
    try:
        last = _last_line(descriptor, path, line_limit, whole)
        torn = os.fstat(descriptor).st_size - last.end
        line = next_line(last.line, last.begin)
        missing = b"\n" if last.bare else b""
        if line is None:
            torn = 0
        elif (size := last.end + len(missing) + len(line) + 1) > file_limit:
            raise too_large(path, "log", file_limit, f"{size} bytes with the line to add")
        if missing or line is not None:
            _write(descriptor, last.end, (missing,) if line is None else (missing, line, b"\n"))
            if last.end == 0:
                _sync_folder(path)
    except BaseException as error:
        with suppress(OSError):
            if not existed and os.fstat(descriptor).st_size == 0:
                os.unlink(path)  # who waits for the lock sees that the name has gone, and begins again
        if isinstance(error, OSError):
            raise unwritable(path, error) from None
        raise
    finally:
        os.close(descriptor)  # and with it the lock
    return Appended(torn, last.bare)


@contextmanager
def held(path: str) -> Iterator[None]:
    """Keep others from adding to a file that is there; InputError where it cannot be opened to be written."""
    try:
        descriptor = _open_locked(path)
    except OSError as error:
        raise unwritable(path, error) from None
    try:
        yield
    finally:
        os.close(descriptor)


def last_line(path: str, what: str, line_limit: int, file_limit: int, whole: Whole) -> tuple[bytes | None, int]:
    """Return the last line, without its line feed, and its offset; None where there is none.

    InputError as `open_input`, for a pipe, which is not waited for, and for a line of more than `line_limit` bytes.
    """
    refuse_waiting(path, what)
    with open_input(path, what, file_limit) as stream:
        last = _last_line(stream.fileno(), path, line_limit, whole)
    return last.line, last.begin


def refuse_waiting(path: str, what: str) -> None:
    """InputError for a pipe or device, which would be waited for."""
    if os.path.exists(path) and not os.path.isfile(path) and not os.path.isdir(path):
        raise InputError(
            f"cannot read this {what}", place=Place(file=path), found="no regular file", hint="name a regular file"
        )


def _open_locked(path: str) -> int:
    """Open a regular file and hold its lock; a file that is replaced while we wait is opened again."""
    try:
        import fcntl
    except ImportError:
        raise OSError(0, "this system has no file locks that imgseal knows") from None
    while True:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NONBLOCK, 0o666)
        try:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise OSError(0, "is no regular file")
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            with suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(descriptor), os.stat(path)):
                    return descriptor
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)


def _last_line(descriptor: int, path: str, limit: int, whole: Whole) -> _End:
    """Find the end of the last line; reads no more than it must."""
    start = os.fstat(descriptor).st_size
    tail = b""
    while start and tail.count(b"\n") < 2 and len(tail) <= 2 * limit:
        step = min(_TAIL, start)
        start -= step
        tail = os.pread(descriptor, step, start) + tail
    end = tail.rfind(b"\n")
    begin = tail.rfind(b"\n", 0, end) + 1 if end > 0 else 0
    if (start and begin == 0) or end - begin > limit or len(tail) - end - 1 > limit:
        raise too_large(path, "last line", limit, "more")
    bare = tail[end + 1 :]
    if bare and whole(bare):
        return _End(bare, start + end + 1, start + len(tail), bare=True)
    if end < 0:
        return _End(None, 0, 0, bare=False)
    return _End(tail[begin:end], start + begin, start + end + 1, bare=False)


def _write(descriptor: int, end: int, pieces: tuple[bytes, ...]) -> None:
    """Put pieces at `end` in place of what is there, each on disk before the next; nothing when one fails."""
    try:
        os.ftruncate(descriptor, end)
        for piece in filter(None, pieces):
            view = memoryview(piece)
            while view:
                view = view[os.pwrite(descriptor, view, os.fstat(descriptor).st_size) :]
            os.fsync(descriptor)
    except BaseException:
        with suppress(OSError):
            os.ftruncate(descriptor, end)
        raise


def _sync_folder(path: str) -> None:
    """Make the name of a new file as durable as its content."""
    descriptor = os.open(os.path.dirname(path) or ".", os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
