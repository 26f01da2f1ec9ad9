"""Looks into archives without unpacking them to disk: zip, tar and gzip, within bounds, whatever they claim.

Nothing is written where a member's name says, no link is followed, and what is too much stops the work.
"""

import re
import stat
import zlib
from collections.abc import Callable, Iterator
from io import BytesIO
from typing import BinaryIO, Protocol, cast

from imgseal.errors import InputError, Place, visible
from imgseal.formats.archives import tar_stream, zip_archive
from imgseal.formats.archives.gzip_stream import Gunzip
from imgseal.limits import ARCHIVE_BYTES, ARCHIVE_DIRECTORY, ARCHIVE_MEMBERS, ARCHIVE_RATIO
from imgseal.records import NamedTuple

ZIP, TAR, GZIP, TAR_GZ = "zip archive", "tar archive", "gzip file", "compressed tar archive"
_MAGIC = ((b"PK\x03\x04", ZIP), (b"PK\x05\x06", ZIP), (b"\x1f\x8b\x08", GZIP))
_CLOSED: tuple[tuple[bytes | tuple[bytes, ...], str], ...] = (
    (b"\xfd7zXZ\0", "xz"),
    (b"BZh", "bzip2"),
    (b"\x28\xb5\x2f\xfd", "Zstandard"),
    (b"7z\xbc\xaf\x27\x1c", "7z"),
    (b"Rar!\x1a\x07", "RAR"),
    (b"MSCF\0\0\0\0", "cabinet"),
    (b"\x04\x22\x4d\x18", "LZ4"),
    (b"LZIP", "lzip"),
    ((b"070701", b"070702", b"070707"), "cpio"),
    (b"!<arch>\ndebian-binary", "Debian package"),
    (b"PK\x07\x08", "zip archive in several parts"),
)
_CONTROL = re.compile(r"[\x00-\x1f]")
_AGAIN = "make the archive again"
_TARGET_BYTES = 4096  # PATH_MAX; a member that is called a link and holds more is none

Reopen = Callable[[], BinaryIO]
"""Returns a stream at the first byte; the one before is done with."""


class TooMuchError(Exception):
    """An archive holds more than is looked into; the text says what."""


class Budget:
    """What one archive may still cost: bytes that are unpacked, or read where nothing is packed; members; payloads.

    Bytes are paid for once: at the innermost layer that unpacks, or at the file where none does.
    """

    __slots__ = ("_all", "_bytes", "_members", "_payloads")

    def __init__(self, size: int) -> None:
        self._all = self._bytes = self._payloads = max(ARCHIVE_BYTES, ARCHIVE_RATIO * size)
        self._members = ARCHIVE_MEMBERS

    def again(self) -> "Budget":
        """Return another one of the same size, for a second reading of what has been paid for."""
        return Budget(self._all // ARCHIVE_RATIO)

    def spend(self, count: int) -> None:
        """Take bytes."""
        self._bytes -= count
        if self._bytes < 0:
            raise TooMuchError(f"more than {self._all} bytes unpacked")

    def member(self) -> None:
        """Take one member, or a header that is like one."""
        self._members -= 1
        if self._members < 0:
            raise TooMuchError(f"more than {ARCHIVE_MEMBERS} members")

    def payload(self, count: int) -> None:
        """Take the payload of a detached header, which is judged once for every header that names it."""
        self._payloads -= count
        if self._payloads < 0:
            raise TooMuchError(f"detached headers with more than {self._all} bytes of payloads")


class _Readable(Protocol):
    def read(self, count: int, /) -> bytes: ...


class _Counted:
    """A stream whose bytes are paid for."""

    __slots__ = ("_budget", "_stream")

    def __init__(self, stream: _Readable, budget: Budget) -> None:
        self._stream = stream
        self._budget = budget

    def read(self, count: int) -> bytes:
        data = self._stream.read(count)
        self._budget.spend(len(data))
        return data


def _counted(stream: _Readable, budget: Budget) -> BinaryIO:
    return cast("BinaryIO", _Counted(stream, budget))


class Entry(NamedTuple):
    """A member: its content to be read once and to its end, or why there is none that can be read.

    What is `aside` becomes no file when the archive is unpacked: folders, comments, and what a `link` holds.
    """

    name: str
    size: int
    content: BinaryIO | None
    link: str | None = None
    closed: str | None = None
    damaged: str | None = None
    aside: bool = False


def archive_kind(head: bytes) -> str | None:
    """Return ZIP, TAR or GZIP, another name for what is not opened here, or None for what is no archive."""
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return kind
    if tar_stream.is_tar(head):
        return TAR
    return next((kind for magic, kind in _CLOSED if head.startswith(magic)), None)


def damage(error: Exception) -> tuple[str, Place, str]:
    """Return what is wrong with an archive, where, and what to do; the error again where it is none of an archive."""
    if isinstance(error, InputError):
        text = error.message + (f" ({error.found})" if error.found else "")
        return text, error.place, error.hint or _AGAIN
    if not isinstance(error, (zlib.error, EOFError, OSError)):
        raise error
    return str(error) or type(error).__name__, Place(), _AGAIN


def gunzipped(reopen: Reopen, budget: Budget) -> BinaryIO:
    """Return the bytes that a gzip file holds; what is read is paid for as well, as it may hold next to nothing."""
    return _counted(Gunzip(_counted(reopen(), budget), budget.member), budget)


def entries(kind: str, reopen: Reopen, budget: Budget) -> Iterator[Entry]:
    """Yield the members of a ZIP (from a stream that can be positioned), TAR or TAR_GZ, in the archive's order."""
    if kind == ZIP:
        yield from _zip_entries(reopen(), budget)
        return
    stream = gunzipped(reopen, budget) if kind == TAR_GZ else _counted(reopen(), budget)
    for member in tar_stream.members(stream, budget.member):
        yield Entry(member.name, member.size, cast("BinaryIO | None", member.content), member.link)


def _zip_entries(stream: BinaryIO, budget: Budget) -> Iterator[Entry]:
    directory = zip_archive.directory(stream)
    if directory.size > ARCHIVE_DIRECTORY:
        raise TooMuchError(f"a directory of {directory.size} bytes")
    if directory.comment:
        yield _comment("comment", directory.comment)
    for number, member in enumerate(zip_archive.members(stream, directory, budget.member), 1):
        if member.comment:
            yield _comment(f"comment {number}", member.comment)
        name = member.names[0]
        if len(member.names) > 1:
            name = next((each for each in member.names if leads_out(each)), name)
        entry = Entry(name, member.size, None, aside=name.endswith("/") and not member.size)
        content = _counted(member.content, budget)
        if member.encrypted:
            yield entry._replace(damaged="it is encrypted")
        elif member.damaged is not None:
            yield entry._replace(damaged=member.damaged)
        elif member.method not in (zip_archive.STORED, zip_archive.DEFLATED):
            yield entry._replace(closed=f"a zip member with compression {member.method}")
        elif stat.S_ISLNK(member.mode):
            yield _zip_link(entry, content)
        else:
            yield entry._replace(content=content)


def _comment(name: str, data: bytes) -> Entry:
    return Entry(f"({name})", len(data), BytesIO(data), aside=True)


def _zip_link(entry: Entry, content: BinaryIO) -> Entry:
    """Read a link's target; some unpack it as a file, so it is looked at as well."""
    if entry.size > _TARGET_BYTES:
        return entry._replace(damaged=f"a link that leads to {entry.size} bytes")
    try:
        data = content.read(_TARGET_BYTES + 1)
    except (InputError, zlib.error) as error:
        return entry._replace(damaged=damage(error)[0])
    target = data.decode("utf-8", "surrogateescape")
    folder = entry.name.rpartition("/")[0]
    link = f"{folder}/{target}" if folder and target[:1] != "/" else target
    return entry._replace(link=link, content=BytesIO(data), aside=True)


def leads_out(path: str, *, link: bool = False) -> bool:
    """Say whether a member's name, or the path that a link leads to, is one outside the archive on some system.

    Names with `..` are refused wherever they lead: tools disagree on what they mean.
    """
    if not path or path[0] in "/\\" or path[1:2] == ":" or _CONTROL.search(path):
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
    return "/".join(part for part in visible(path).split("/") if part not in ("", "."))
