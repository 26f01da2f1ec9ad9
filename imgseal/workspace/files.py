"""Reads files, with bounds, and writes them so that either everything or nothing is left behind."""

import errno
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import BinaryIO

from imgseal.errors import InputError, Place, UsageError
from imgseal.limits import ARTEFACT_BYTES, CHUNK
from imgseal.window import ByteView
from imgseal.workspace.staging import Output, Staged, move, signals_held, staged

PRODUCT_NAME = "imgseal.toml"
"""Of the product file."""

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
                raise too_large(path, what, limit, f"{size} bytes")
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
        raise too_large(path, what, limit, "more")
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


def too_large(path: str, what: str, limit: int, found: str) -> InputError:
    """Return the error for a file of more than `limit` bytes."""
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

_LOG = b'{"at":0,"edge":[]'
"""What a release log begins with: docs/format/release-log.md."""

_HEAD = 16 << 10
"""Bytes of a file that are looked at for a key or a log."""


def refuse_overlap(outputs: Iterable[str], inputs: Iterable[str | None]) -> None:
    """UsageError when an output is an input, by whatever name or link, or when two outputs are one file.

    Inputs that were not given are None.
    """
    taken: dict[object, str] = {_identity(path): path for path in inputs if path is not None}
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


def write_all(
    outputs: Sequence[Output], inputs: Iterable[str | None] = (), *, before_moving: Callable[[], None] | None = None
) -> None:
    """Write all files or none: each beside its target first, then all are moved into place.

    No output may be one of the `inputs`, as in `refuse_overlap`. `before_moving` is called in between; what it raises
    leaves nothing behind.
    An output that is `last` is gone from before the first of them is moved until all the others are in their places.
    Folders that are missing are made. When anything fails, new files and folders are removed again, replaced files
    are as before, and UsageError or InputError says why.
    """
    refuse_overlap([output.path for output in outputs], inputs)
    made_folders: list[str] = []
    files: list[Staged] = []
    path = ""
    try:
        for output in outputs:
            path = output.path
            _make_folder(os.path.dirname(path) or ".", made_folders)
            if not output.replace and os.path.lexists(path):
                raise existing(path)
            _refuse_precious(path)
            files.append(staged(output))
            files[-1].write()
        if before_moving is not None:
            before_moving()
        with signals_held():
            move(files)
    except BaseException as error:
        with signals_held():
            for each in files:
                each.discard()
            for folder in reversed(made_folders):
                with suppress(OSError):
                    os.rmdir(folder)
        if isinstance(error, FileExistsError):
            raise existing(error.filename2 or path) from None
        if isinstance(error, OSError):
            raise unwritable(path, error) from None
        raise


def unwritable(path: str, error: OSError) -> InputError:
    """Return the error for a file that could not be written."""
    return InputError(
        "cannot write this file",
        place=Place(file=path),
        found=error.strerror or type(error).__name__,
        hint="check the folder, its permissions and the free space; nothing was changed",
    )


def _refuse_precious(path: str) -> None:
    """Refuse to replace what is no file, or holds a key, or is a product file or a release log.

    A lost private key takes the product's updates with it; a lost log what all of its releases are known by.
    """
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
    import re

    if os.path.basename(path) == PRODUCT_NAME:
        raise UsageError(
            "this is a product file and is never overwritten",
            place=Place(file=path),
            hint="give another name, or remove the file yourself",
        )

    with suppress(OSError), open(path, "rb") as stream:
        head = stream.read(_HEAD)
        if (key := re.match(_KEY, head)) or head.startswith(_LOG):
            raise UsageError(
                f"this file {'holds a key' if key else 'is a release log'} and is never overwritten",
                place=Place(file=path),
                hint="give another name, or remove the file yourself",
            )


def existing(path: str) -> UsageError:
    """Return the error for a file that would be replaced and may not be."""
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


def on_disk(stream: BinaryIO) -> int:
    """Return the bytes that a file takes on disk, holes left out; its size where the system does not say."""
    status = os.fstat(stream.fileno())
    blocks: int = getattr(status, "st_blocks", 0)
    return min(status.st_size, 512 * blocks) if blocks else status.st_size
