"""Zip archives, read as strictly as what may hold firmware has to be; APPNOTE 6.3.10, "4.3" and "4.4".

A zip archive says most things twice, and readers differ in what they believe: the directory at the end, the header
before each member, or the first records that look right. Here everything has to agree: one end record, members and
directory that fill the file, and data that ends where its size says. The standard library believes the directory
alone and holds all of it as objects, so it is not used. Memory is bounded: the directory's bytes, and a piece of data.
"""

import re
import zlib
from collections.abc import Callable, Iterator
from functools import partial
from struct import Struct
from typing import BinaryIO

from imgseal.formats.archives.pieces import damaged, gathered
from imgseal.records import NamedTuple

_damaged = partial(damaged, "zip archive")
STORED, DEFLATED = 0, 8
# fields of the records by their `struct` codes; x are bytes that nobody here asks for
_LOCAL, _CENTRAL, _END = Struct("<6x2H4x3L2H"), Struct("<8x2H4x3L4H2x2L"), Struct("<4x4H2LH")
_LOCATOR, _END64 = Struct("<4xLQL"), Struct("<4xQ4x2L4Q")
_LOCAL_MAGIC, _CENTRAL_MAGIC, _END_MAGIC = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"
_LOCATOR_MAGIC, _END64_MAGIC, _DESCRIPTOR_MAGIC = b"PK\x06\x07", b"PK\x06\x06", b"PK\x07\x08"
TAIL_BYTES = _END.size + 0xFFFF
"""Where the end record of an archive lies: in its last bytes, with a comment of at most 65,535."""

_PIECE = 1 << 18
_MAX16, _MAX32 = 0xFFFF, 0xFFFF_FFFF  # the value is in the zip64 record or field
_ENCRYPTED = 1 << 0 | 1 << 6 | 1 << 13
_LATER = 1 << 3  # size and CRC follow the data
_UTF8 = 1 << 11
_FULL = (_MAX16, _MAX16, _MAX16, _MAX16, _MAX32, _MAX32)
_ZIP64, _UNICODE_NAME = 0x0001, 0x7075


class Directory(NamedTuple):
    """Where the directory of an archive lies, and what the end record says; `shift` is added to all its offsets."""

    start: int
    size: int
    members: int
    shift: int
    comment: bytes


class Member(NamedTuple):
    """A member as it lies in the file: `content` is good until the next one is asked for.

    `names` are all that some reader may give it, the usual one first. `mode` is that of Unix, or 0. `damaged` says
    what its two headers do not agree on.
    """

    names: tuple[str, ...]
    size: int
    mode: int
    method: int
    encrypted: bool
    comment: bytes
    damaged: str | None
    content: "Content"


class Content:
    """The data of a stored or deflated member, to be read once; its end is checked when it is reached."""

    __slots__ = ("_at", "_crc", "_expected", "_inflate", "_packed", "_size", "_stream", "_waiting")

    def __init__(self, stream: BinaryIO, at: int, packed: int, size: int, crc: int, *, deflated: bool) -> None:
        self._stream = stream
        self._at = at
        self._packed = packed
        self._size = size
        self._expected = crc
        self._crc = 0
        self._waiting = b""
        self._inflate = zlib.decompressobj(-zlib.MAX_WBITS) if deflated else None

    def read(self, count: int) -> bytes:
        """Return up to `count` bytes, fewer only at the end; InputError or zlib.error where the data is damaged."""
        return gathered(self._some, count)

    def _some(self, count: int) -> bytes:
        if self._inflate is None:
            piece = self._raw(count)
        else:
            piece = b""
            while not piece and not self._inflate.eof:
                data = self._waiting or self._raw(_PIECE)
                piece = self._inflate.decompress(data, count)
                self._waiting = self._inflate.unconsumed_tail
                if not piece and not data and not self._inflate.eof:
                    raise _damaged("a member's data ends too early", self._at)
        self._size -= len(piece)
        self._crc = zlib.crc32(piece, self._crc)
        if self._size < 0:
            raise _damaged("a member is larger than its size", self._at)
        if not piece:
            self._check_end()
        return piece

    def _raw(self, count: int) -> bytes:
        self._stream.seek(self._at)
        data = self._stream.read(min(count, self._packed))
        self._at += len(data)
        self._packed -= len(data)
        return data

    def _check_end(self) -> None:
        if self._size or self._packed or self._waiting or (self._inflate is not None and self._inflate.unused_data):
            raise _damaged("a member's data does not end where its size says", self._at)
        if self._crc != self._expected:
            found, expected = f"{self._crc:08x}", f"{self._expected:08x}"
            raise _damaged("a member's CRC is wrong", self._at, f"{found}, expected {expected}")


def ends_as_zip(tail: bytes) -> bool:
    """Say whether a reader may take a file with these last TAIL_BYTES for a zip archive with members.

    Whatever is in front of it, and also where something follows: readers pass over that, and `directory` refuses it.
    """
    for at in _ends(tail):
        if at + _END.size > len(tail):
            break
        if tail[max(0, at - _LOCATOR.size) : at].startswith(_LOCATOR_MAGIC):
            return True
        size = _END.unpack_from(tail, at)[4]
        first = at - size
        if size >= _CENTRAL.size and (first < 0 or tail.startswith(_CENTRAL_MAGIC, first)):
            return True
    return False


def _ends(tail: bytes) -> list[int]:
    """Return where the last bytes have the magic of an end record."""
    return [match.start() for match in re.finditer(_END_MAGIC, tail)]


def _end_record(tail: bytes) -> int | None:
    """Return where in the last bytes the end record lies: the last one, and the only one that reaches to the end."""
    ends = _ends(tail)
    size = len(tail) - _END.size  # in front of an end record without a comment
    fitting = [at for at in ends if tail[at + 20 : at + 22] == (size - at & _MAX16).to_bytes(2, "little")]
    return fitting[0] if fitting and fitting == ends[-1:] and fitting[0] <= size else None


def directory(stream: BinaryIO) -> Directory:
    """Find the directory of an archive in a stream that can be positioned; InputError where two could be found."""
    size = stream.seek(0, 2)
    tail_at = stream.seek(max(0, size - TAIL_BYTES))
    tail = stream.read(TAIL_BYTES)
    found = _end_record(tail)
    if found is None:
        message = "it is cut off, something follows its end, or it has more than one end"
        raise _damaged(message, size, "no end record that fits")
    end = tail_at + found
    disk, first_disk, here, count, length, offset, _ = _END.unpack_from(tail, found)
    behind = near = max(0, end - _LOCATOR.size - _END64.size)
    stream.seek(near)
    record = stream.read(end - near)
    if record[-_LOCATOR.size :].startswith(_LOCATOR_MAGIC):
        if len(record) < _LOCATOR.size + _END64.size or not record.startswith(_END64_MAGIC):
            raise _damaged("its zip64 end record is not where it has to be", near)
        rest, *large = _END64.unpack_from(record)
        at_disk, at, disks = _LOCATOR.unpack_from(record, _END64.size)
        small = zip((disk, first_disk, here, count, length, offset), _FULL, large, strict=True)
        if rest != _END64.size - 12 or any(said not in (full, real) for said, full, real in small):
            raise _damaged("its end record and that of zip64 do not agree", near)
        disk, first_disk, here, count, length, offset = large
        if at_disk or disks > 1 or at != length + offset:
            raise _damaged("its zip64 end record is not where it has to be", near)
    else:
        behind = end
    if disk or first_disk or here != count:
        raise _damaged("it is one part of several", end)
    start, shift = behind - length, behind - length - offset
    if start < 0 or shift < 0:
        raise _damaged("its directory is not where it has to be", end, f"{length} bytes from {offset}")
    return Directory(start, length, count, shift, tail[found + _END.size :])


def members(stream: BinaryIO, where: Directory, each: Callable[[], None]) -> Iterator[Member]:
    """Yield the members as they lie in the file, having called `each` for every one before the first is yielded.

    InputError where members, what is said of them, and the directory do not fill the file.
    """
    stream.seek(0)
    is_zip = stream.read(4) in (_LOCAL_MAGIC, _END_MAGIC)
    stream.seek(where.start)
    data = stream.read(where.size)
    lie, at = [], 0
    while at < len(data):
        each()
        if len(data) - at < _CENTRAL.size or not data.startswith(_CENTRAL_MAGIC, at):
            raise _damaged("its directory is damaged", where.start + at)
        entry = _Entry(data, at)
        lie.append((entry.offset + where.shift, at))
        at = entry.end
    if at != where.size or len(lie) != where.members:
        raise _damaged(
            "its directory is damaged", where.start, f"{len(lie)} members, {where.members} in the end record"
        )
    lie.sort()
    if (lie[0][0] if lie else where.start) and is_zip:  # else it stands in front of what runs or unpacks it
        raise _damaged("something stands before its first member", 0)
    nexts = [offset for offset, _ in lie[1:]] + [where.start]
    for (offset, at), following in zip(lie, nexts, strict=True):
        yield _member(stream, offset, following, _Entry(data, at))


class _Entry:
    """What the directory says of a member; APPNOTE 4.3.12."""

    __slots__ = (
        "comment", "crc", "end", "extra", "flags", "method", "mode", "name", "offset", "packed", "size"
    )  # fmt: skip

    def __init__(self, data: bytes, at: int) -> None:
        values = _CENTRAL.unpack_from(data, at)
        self.flags, self.method, self.crc, packed, size, name, extra, comment, disk, mode, offset = values
        at += _CENTRAL.size
        self.name = data[at : at + name]
        self.extra = _extra(data[at + name : at + name + extra])
        self.comment = data[at + name + extra : at + name + extra + comment]
        self.end = at + name + extra + comment
        self.mode = mode >> 16
        self.size, self.packed, self.offset = _large(self.extra, size, packed, offset)
        if disk not in (0, _MAX16):
            raise _damaged("it is one part of several", self.offset)


def _extra(data: bytes) -> dict[int, bytes]:
    """Read the extra fields of a header, up to one that is cut off: some writers fill up with zeros."""
    fields: dict[int, bytes] = {}
    at = 0
    while at + 4 <= len(data):
        size = int.from_bytes(data[at + 2 : at + 4], "little")
        fields.setdefault(int.from_bytes(data[at : at + 2], "little"), data[at + 4 : at + 4 + size])
        at += 4 + size
    return fields


def _large(extra: dict[int, bytes], *values: int) -> list[int]:
    """Return size, packed size and offset, those that have no room in 32 bits from the zip64 field; APPNOTE 4.5.3."""
    field = extra.get(_ZIP64, b"")
    large = []
    for value in values:
        if value == _MAX32 and len(field) >= 8:
            large.append(int.from_bytes(field[:8], "little"))
            field = field[8:]
        else:
            large.append(value)
    return large


def _member(stream: BinaryIO, offset: int, following: int, entry: _Entry) -> Member:
    stream.seek(offset)
    head = stream.read(_LOCAL.size)
    if len(head) < _LOCAL.size or not head.startswith(_LOCAL_MAGIC):
        raise _damaged("a member is not where the directory says", offset)
    flags, method, crc, packed, size, name_size, extra_size = _LOCAL.unpack(head)
    name, extra = stream.read(name_size), _extra(stream.read(extra_size))
    size, packed = _large(extra, size, packed)
    at = offset + _LOCAL.size + name_size + extra_size
    end = at + entry.packed
    if end > following:
        raise _damaged("a member reaches into what follows it", offset)
    stream.seek(end)
    behind = stream.read(min(following - end, 25))
    if behind not in (_descriptors(entry) if flags & _LATER else (b"",)):
        raise _damaged("what lies behind a member is not what its header says", end)
    damaged = None
    said = (("name", name, entry.name), ("method", method, entry.method))
    later = (("CRC", crc, entry.crc), ("packed size", packed, entry.packed), ("size", size, entry.size))
    for what, here, there in (*said, *later):
        if here != there and not (flags & _LATER and here == 0 and what not in ("name", "method")):
            damaged = f"its header and the directory do not agree: {what} {here!r} and {there!r}"
    if entry.method == STORED and entry.packed != entry.size:
        damaged = f"it is not packed, and {entry.packed} bytes are said to be {entry.size}"
    names = _names(entry.name, flags | entry.flags, entry.extra, extra)
    content = Content(stream, at, entry.packed, entry.size, entry.crc, deflated=entry.method == DEFLATED)
    encrypted = bool((flags | entry.flags) & _ENCRYPTED)
    return Member(names, entry.size, entry.mode, entry.method, encrypted, entry.comment, damaged, content)


def _descriptors(entry: _Entry) -> tuple[bytes, ...]:
    """Return what may follow a member whose header has no sizes; APPNOTE 4.3.9: the magic is optional."""
    plain = [Struct("<LQQ").pack(entry.crc, entry.packed, entry.size)]
    if max(entry.packed, entry.size) <= _MAX32:
        plain.append(Struct("<LLL").pack(entry.crc, entry.packed, entry.size))
    return (*plain, *(_DESCRIPTOR_MAGIC + each for each in plain))


def _names(name: bytes, flags: int, *extras: dict[int, bytes]) -> tuple[str, ...]:
    names = [name.decode("utf-8", "surrogateescape") if flags & _UTF8 else name.decode("cp437")]
    for extra in extras:
        field = extra.get(_UNICODE_NAME, b"")[5:]  # behind a version and the CRC of the name that it replaces
        if field:
            names.append(field.decode("utf-8", "surrogateescape"))
    return tuple(names)
