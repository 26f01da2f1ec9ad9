"""The only module that opens files: bounded reads, and writes that leave either everything or nothing behind."""

import errno
import os
import stat
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import BinaryIO

from imgseal.errors import InputError, Place, UsageError
from imgseal.limits import ARTEFACT_BYTES, CHUNK
from imgseal.memory.view import ByteView
from imgseal.records import NamedTuple

__all__ = [
    "NOT_REGULAR",
    "Output",
    "append_line",
    "last_line",
    "load_artefact",
    "open_input",
    "read_bounded",
    "refuse_overlap",
    "write_all",
]


NOT_REGULAR = "a link, pipe, socket, device or folder"
"""What is found where `open_input` was to open a regular file."""


@contextmanager
def open_input(path: str, what: str, limit: int, *, regular: bool = False) -> Iterator[BinaryIO]:
    """Open a file for reading; InputError when it cannot be read, is a folder, or is larger than `limit` bytes.

    With `regular` it is also one, NOT_REGULAR, when a link or pipe stands there: neither is followed or waited for.
    """
    try:
        stream = open(path, "rb", opener=_open_regular if regular else None)  # noqa: SIM115 - closed below, also when the size is refused
    except OSError as error:
        raise _unreadable(path, what, error) from None
    with stream:
        try:
            size = os.fstat(stream.fileno()).st_size
            if size > limit:
                raise _too_large(path, what, limit, f"{size} bytes")
            yield stream
        except OSError as error:
            raise _unreadable(path, what, error) from None


def _open_regular(path: str, flags: int) -> int:
    try:
        descriptor = os.open(path, flags | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError as error:
        raise OSError(0, NOT_REGULAR) if error.errno in (errno.ELOOP, errno.ENXIO) else error from None
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(0, NOT_REGULAR)
    return descriptor


def read_bounded(path: str, what: str, limit: int) -> bytes:
    """Read a whole file once; InputError as `open_input`, also for a pipe that yields more than `limit` bytes."""
    with open_input(path, what, limit) as stream:
        size = os.fstat(stream.fileno()).st_size
        data = stream.read(size + 1)
        if len(data) != size:  # a pipe or a device has no size, and a file may grow while it is read
            rest = [data]
            total = len(data)
            while total <= limit and (piece := stream.read(min(CHUNK, limit + 1 - total))):
                rest.append(piece)
                total += len(piece)
            data = b"".join(rest)
    if len(data) > limit:
        raise _too_large(path, what, limit, "more")
    return data


def _unreadable(path: str, what: str, error: OSError) -> InputError:
    return InputError(
        f"cannot read this {what}",
        place=Place(file=path),
        found=error.strerror or type(error).__name__,
        hint="name a file in it; imgseal gate looks through folders"
        if isinstance(error, IsADirectoryError)
        else "check the name and the permissions",
    )


def _too_large(path: str, what: str, limit: int, found: str) -> InputError:
    return InputError(
        f"this {what} is larger than imgseal reads",
        place=Place(file=path),
        expected=f"at most {limit} bytes",
        found=found,
        hint="is it the right file?",
    )


def load_artefact(path: str) -> ByteView:
    """Read an artefact of at most limits.ARTEFACT_BYTES, once."""
    return ByteView(read_bounded(path, "artefact", ARTEFACT_BYTES))


_KEY = rb"\s*-----BEGIN [A-Z0-9 ]*(KEY|PARAMETERS)-----"
"""What a key file begins with, private or public (RFC 7468; openssl puts EC PARAMETERS first)."""

_TAIL = 16 << 10
"""Bytes that are read from the end of a file at once: a few lines of a log."""


class Output(NamedTuple):
    """One file to write: its pieces in order, its permission bits, and whether an existing file is replaced."""

    path: str
    pieces: Iterable[bytes | memoryview]
    mode: int = 0o666
    replace: bool = True


def refuse_overlap(outputs: Iterable[str], inputs: Iterable[str]) -> None:
    """UsageError when an output is an input, by whatever name or link, or when two outputs are one file."""
    taken: dict[object, str] = {}
    for path in inputs:
        taken[_identity(path)] = path
    for path in outputs:
        identity = _identity(path)
        if identity in taken:
            raise UsageError(
                "an output would overwrite another file of this run",
                place=Place(file=path),
                found=f"the same file as {taken[identity]}",
                hint="give the output another name (--out, or --depfile)",
            )
        taken[identity] = path


def _identity(path: str) -> object:
    try:
        status = os.stat(path)
    except OSError:
        return os.path.realpath(path)
    return status.st_dev, status.st_ino


def write_all(outputs: Iterable[Output], before_moving: Callable[[], None] | None = None) -> None:
    """Write all files or none: each beside its target first, then all are moved into place.

    `before_moving` is called in between; what it raises leaves nothing behind.
    Folders that are missing are made. When anything fails, new files and folders are removed again, replaced files
    are as before, and UsageError or InputError says why.
    """
    made_folders: list[str] = []
    staged: list[tuple[Output, str]] = []
    path = ""
    try:
        for output in outputs:
            path = output.path
            _make_folder(os.path.dirname(path) or ".", made_folders)
            if not output.replace and os.path.lexists(path):
                raise _exists(path)
            _refuse_precious(path)
            staged.append((output, _stage(output)))
        if before_moving is not None:
            before_moving()
        _move(staged)
    except BaseException as error:
        for _, temporary in staged:
            with suppress(OSError):
                os.unlink(temporary)
        for folder in reversed(made_folders):
            with suppress(OSError):
                os.rmdir(folder)
        if isinstance(error, FileExistsError):
            raise _exists(error.filename2 or path) from None
        if isinstance(error, OSError):
            raise InputError(
                "cannot write this file",
                place=Place(file=path),
                found=error.strerror or type(error).__name__,
                hint="check the folder, its permissions and the free space; nothing was changed",
            ) from None
        raise


def _refuse_precious(path: str) -> None:
    """Refuse to replace what is no file, or holds a key: a lost private key takes the product's updates with it."""
    try:
        status = os.stat(path)
    except OSError:
        return  # there is nothing, or a link to nothing
    if stat.S_ISDIR(status.st_mode):
        raise IsADirectoryError(21, "is a folder")
    if not stat.S_ISREG(status.st_mode):
        raise UsageError(
            "an output has to be a file: it is written beside its name first, and then moved there",
            place=Place(file=path),
            expected="the name of a new file, or of a file to replace",
            found="a device, pipe or socket",
            hint="give a file's name",
        )
    import re  # noqa: PLC0415 - not for reading

    with suppress(OSError), open(path, "rb") as stream:
        if re.match(_KEY, stream.read(_TAIL)):
            raise UsageError(
                "this file holds a key and is never overwritten",
                place=Place(file=path),
                hint="give another name, or remove the file yourself",
            )


def _exists(path: str) -> UsageError:
    return UsageError(
        "this file exists already and is never overwritten",
        place=Place(file=path),
        hint="give another name or folder, or remove the file yourself",
    )


def _make_folder(folder: str, made: list[str]) -> None:
    missing = []
    while folder and not os.path.isdir(folder):
        missing.append(folder)
        folder = os.path.dirname(folder) or "."
    for name in reversed(missing):
        if os.path.lexists(name):
            raise NotADirectoryError(20, f"{name} is no folder")
        os.mkdir(name)
        made.append(name)


def _stage(output: Output) -> str:
    folder, name = os.path.split(output.path)
    temporary = os.path.join(folder, f".{name}.{os.getpid()}.part")
    descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, output.mode)
    try:
        with open(descriptor, "wb") as stream:
            stream.writelines(output.pieces)
            stream.flush()
            os.fsync(stream.fileno())
    except BaseException:
        with suppress(OSError):
            os.unlink(temporary)
        raise
    return temporary


def _move(staged: list[tuple[Output, str]]) -> None:
    done: list[tuple[str, str | None]] = []
    try:
        for output, temporary in staged:
            target = output.path
            if not output.replace:
                os.link(temporary, target)  # unlike a rename it fails when the target appeared meanwhile
                done.append((target, None))
                continue
            kept: str | None = None
            if os.path.lexists(target):
                kept = temporary + ".before"
                os.link(target, kept, follow_symlinks=False)
            done.append((target, kept))
            os.replace(temporary, target)
    except BaseException:
        for target, kept in reversed(done):
            with suppress(OSError):
                if kept is None:
                    os.unlink(target)
                else:
                    os.replace(kept, target)
        raise
    for _, kept in done:
        if kept is not None:
            with suppress(OSError):
                os.unlink(kept)
    for output, temporary in staged:
        if not output.replace:
            os.unlink(temporary)


def append_line(
    path: str, line_limit: int, file_limit: int, next_line: Callable[[bytes | None, int], bytes | None]
) -> int:
    """Add a line to a text file, one process at a time; return how many bytes of an unfinished line were dropped.

    `next_line` gets the last line without its line feed (None where there is none) and its offset, and returns the line
    to add, or None for none. The line is on disk before its line feed is written, and the line feed before this
    returns: a line without one was never acknowledged, whatever was cut off, and the next call writes over it. A file
    that is missing is made. InputError where the file cannot be read or written; then it is as before, and so it is
    when `next_line` raises.
    """
    existed = os.path.lexists(path)
    try:
        descriptor = _open_locked(path)
    except OSError as error:
        raise _unwritable(path, error) from None
    try:
        last, begin, end = _last_line(descriptor, path, line_limit)
        torn = os.fstat(descriptor).st_size - end
        line = next_line(last, begin)
        if line is None:
            torn = 0
        elif end + len(line) + 1 > file_limit:
            raise _too_large(path, "log", file_limit, f"{end + len(line) + 1} bytes with the line to add")
        else:
            _write_line(descriptor, line, end)
            if end == 0:
                _sync_folder(path)
    except BaseException as error:
        with suppress(OSError):
            if not existed and os.fstat(descriptor).st_size == 0:
                os.unlink(path)  # who waits for the lock sees that the name has gone, and begins again
        if isinstance(error, OSError):
            raise _unwritable(path, error) from None
        raise
    finally:
        os.close(descriptor)  # and with it the lock
    return torn


def last_line(path: str, what: str, line_limit: int, file_limit: int) -> tuple[bytes | None, int]:
    """Return the last line that has a line feed, without it, and its offset; None where there is none.

    InputError as `open_input`, and for a line of more than `line_limit` bytes.
    """
    with open_input(path, what, file_limit) as stream:
        last, begin, _ = _last_line(stream.fileno(), path, line_limit)
    return last, begin


def _unwritable(path: str, error: OSError) -> InputError:
    return InputError(
        "cannot write this file",
        place=Place(file=path),
        found=error.strerror or type(error).__name__,
        hint="check the folder, its permissions and the free space; nothing was changed",
    )


def _open_locked(path: str) -> int:
    """Open a regular file and hold its lock; a file that is replaced while we wait is opened again."""
    try:
        import fcntl  # noqa: PLC0415 - not on every system, and only for logs
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


def _last_line(descriptor: int, path: str, limit: int) -> tuple[bytes | None, int, int]:
    """Return the last line that has a line feed, its offset, and the offset behind it; reads no more than it must."""
    start = os.fstat(descriptor).st_size
    tail = b""
    while start and tail.count(b"\n") < 2 and len(tail) <= 2 * limit:
        step = min(_TAIL, start)
        start -= step
        tail = os.pread(descriptor, step, start) + tail
    end = tail.rfind(b"\n")
    begin = tail.rfind(b"\n", 0, end) + 1 if end > 0 else 0
    if (start and begin == 0) or end - begin > limit or len(tail) - end - 1 > limit:
        raise _too_large(path, "last line", limit, "more")
    if end < 0:
        return None, 0, 0
    return tail[begin:end], start + begin, start + end + 1


def _write_line(descriptor: int, line: bytes, end: int) -> None:
    try:
        os.ftruncate(descriptor, end)
        for piece in (line, b"\n"):
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
