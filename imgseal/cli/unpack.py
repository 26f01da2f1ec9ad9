"""Looks into archives without unpacking them to disk: zip, tar and gzip, within bounds, whatever they claim.

Nothing is written where a member's name says, no link is followed, and what is too much stops the work.
"""

import re
import stat
import zlib
from collections.abc import Callable, Iterator
from typing import BinaryIO, cast

from imgseal.errors import InputError
from imgseal.limits import ARCHIVE_BYTES, ARCHIVE_DIRECTORY, ARCHIVE_MEMBERS, ARCHIVE_RATIO
from imgseal.records import NamedTuple
from imgseal.source.tar_stream import is_tar
from imgseal.source.tar_stream import members as tar_members

__all__ = [
    "GZIP",
    "TAR",
    "ZIP",
    "Budget",
    "Entry",
    "Reopen",
    "TooMuchError",
    "archive_kind",
    "clean",
    "damage",
    "entries",
    "gunzipped",
    "leads_out",
]

ZIP, TAR, GZIP = "zip archive", "tar archive", "gzip file"
_MAGIC = ((b"PK\x03\x04", ZIP), (b"PK\x05\x06", ZIP), (b"\x1f\x8b\x08", GZIP))
_CLOSED = (
    (b"\xfd7zXZ\0", "xz"),
    (b"BZh", "bzip2"),
    (b"\x28\xb5\x2f\xfd", "Zstandard"),
    (b"7z\xbc\xaf\x27\x1c", "7z"),
    (b"Rar!\x1a\x07", "RAR"),
    (b"MSCF\0\0\0\0", "cabinet"),
    (b"\x04\x22\x4d\x18", "LZ4"),
    (b"LZIP", "lzip"),
    (b"070701", "cpio"),
    (b"070702", "cpio"),
    (b"070707", "cpio"),
    (b"!<arch>\ndebian-binary", "Debian package"),
    (b"PK\x07\x08", "zip archive in several parts"),
)
_STORED, _DEFLATED = 0, 8
_END, _END64, _LOCATOR = b"PK\x05\x06", b"PK\x06\x06", b"PK\x06\x07"

Reopen = Callable[[], BinaryIO]
"""Returns a stream at the first byte; the one before is done with."""


class TooMuchError(Exception):
    """An archive holds more than is looked into; the text says what."""


class Budget:
    """What one archive on disk may still cost."""

    __slots__ = ("_all", "_bytes", "_members")

    def __init__(self, size: int) -> None:
        self._all = self._bytes = max(ARCHIVE_BYTES, ARCHIVE_RATIO * size)
        self._members = ARCHIVE_MEMBERS

    def spend(self, count: int) -> None:
        """Take bytes that were unpacked."""
        self._bytes -= count
        if self._bytes < 0:
            raise TooMuchError(f"more than {self._all} bytes unpacked")

    def member(self) -> None:
        """Take one member."""
        self._members -= 1
        if self._members < 0:
            raise TooMuchError(f"more than {ARCHIVE_MEMBERS} members")


class _Counted:
    """A stream whose bytes are paid for."""

    __slots__ = ("_budget", "_stream")

    def __init__(self, stream: BinaryIO, budget: Budget) -> None:
        self._stream = stream
        self._budget = budget

    def read(self, count: int) -> bytes:
        data = self._stream.read(count)
        self._budget.spend(len(data))
        return data


class Entry(NamedTuple):
    """A member: its content to be read once, or why there is none that can be read; a `link` has only its target."""

    name: str
    size: int
    content: BinaryIO | None
    link: str | None = None
    closed: str | None = None
    damaged: str | None = None


def archive_kind(head: bytes) -> str | None:
    """Return ZIP, TAR or GZIP, another name for what is not opened here, or None for what is no archive."""
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return kind
    if is_tar(head):
        return TAR
    return next((kind for magic, kind in _CLOSED if head.startswith(magic)), None)


def damage(error: Exception) -> str:
    """Return what is wrong with an archive, in a line; the error again where it is none of an archive."""
    from zipfile import BadZipFile

    if isinstance(error, InputError):
        return error.message + (f" ({error.found})" if error.found else "")
    expected = (BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError, ValueError, OverflowError)
    if not isinstance(error, expected):
        raise error
    return str(error) or type(error).__name__


def gunzipped(reopen: Reopen, budget: Budget) -> BinaryIO:
    """Return the bytes that a gzip file holds."""
    from gzip import GzipFile

    return cast("BinaryIO", _Counted(cast("BinaryIO", GzipFile(fileobj=reopen(), mode="rb")), budget))


def entries(kind: str, reopen: Reopen, budget: Budget) -> Iterator[Entry]:
    """Yield the members of a ZIP (from a stream that can be positioned) or TAR, in the archive's order."""
    if kind == ZIP:
        yield from _zip_entries(reopen(), budget)
        return
    for member in tar_members(reopen()):
        budget.member()
        content = cast("BinaryIO", _Counted(cast("BinaryIO", member.content), budget))
        yield Entry(member.name, member.size, content, member.link)


def _zip_entries(stream: BinaryIO, budget: Budget) -> Iterator[Entry]:
    from struct import error as StructError  # noqa: N812 - it is a class
    from zipfile import BadZipFile, ZipFile

    _refuse_large_directory(stream)
    try:
        archive = ZipFile(stream)
    except (StructError, IndexError) as error:
        raise BadZipFile(f"the directory is damaged: {error}") from None
    for info in archive.infolist():
        budget.member()
        name = info.orig_filename
        if name.endswith("/"):
            continue
        entry = Entry(name, info.file_size, None)
        if info.flag_bits & 1:
            yield entry._replace(damaged="it is encrypted")
        elif info.compress_type not in (_STORED, _DEFLATED):
            yield entry._replace(closed=f"a zip member with compression {info.compress_type}")
        else:
            try:
                content = archive.open(info)
            except (BadZipFile, OSError, ValueError, RuntimeError, NotImplementedError, StructError) as error:
                yield entry._replace(damaged=str(error))
                continue
            with content:
                counted = cast("BinaryIO", _Counted(cast("BinaryIO", content), budget))
                if stat.S_ISLNK(info.external_attr >> 16):
                    target = counted.read(4096).decode("utf-8", "surrogateescape")
                    folder = name.rpartition("/")[0]
                    yield entry._replace(link=f"{folder}/{target}" if folder and target[:1] != "/" else target)
                else:
                    yield entry._replace(content=counted)


def _refuse_large_directory(stream: BinaryIO) -> None:
    """TooMuchError where the directory, which is read at once, is too large; APPNOTE 6.3 sections 4.3.14 to 4.3.16."""
    end = stream.seek(0, 2)
    stream.seek(max(0, end - (1 << 16) - 22))
    tail = stream.read()
    at = tail.rfind(_END)
    size = int.from_bytes(tail[at + 12 : at + 16], "little") if at >= 0 else 0
    if at >= 20 and tail[at - 20 : at - 16] == _LOCATOR:
        stream.seek(min(int.from_bytes(tail[at - 12 : at - 4], "little"), end))
        record = stream.read(56)
        if record.startswith(_END64):
            size = max(size if size != 0xFFFF_FFFF else 0, int.from_bytes(record[40:48], "little"))
    if size > ARCHIVE_DIRECTORY:
        raise TooMuchError(f"a directory of {size} bytes")


def leads_out(path: str, *, link: bool = False) -> bool:
    """Say whether a member's name, or the path that a link leads to, is one outside the archive on some system.

    Names with `..` are refused wherever they lead: tools disagree on what they mean.
    """
    if not path or path[0] in "/\\" or path[1:2] == ":" or any(ord(c) < 0x20 for c in path):
        return True
    depth = 0
    for part in re.split(r"[/\\]", path):
        if part == "..":
            depth -= 1
            if depth < 0 or not link:
                return True
        elif part not in ("", "."):
            depth += 1
    return False


def clean(path: str) -> str:
    """Return a path as it is shown and matched: without empty parts and dots, and with nothing that does not print."""
    path = path.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    if not path.isprintable():
        path = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in path)
    return "/".join(part for part in path.split("/") if part not in ("", "."))
