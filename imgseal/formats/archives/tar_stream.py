"""Tar archives as a stream: POSIX.1-1988 ustar and 2001 pax, the names and sizes of GNU, and the older form.

Read front to back once, with bounded memory: nothing is unpacked, no link is followed, and a header that is not
understood is an error. IEEE Std 1003.1-2017, pax, "ustar Interchange Format" and "pax Header Block".
"""

from collections.abc import Callable, Iterator
from functools import partial
from typing import BinaryIO

from imgseal.errors import InputError
from imgseal.formats.archives.pieces import damaged, gathered
from imgseal.records import NamedTuple

_damaged = partial(damaged, "tar archive", hint="make the archive again, without sparse files")
BLOCK = 512
_PIECE = 1 << 18
_HEADER_BYTES = 64 << 10  # a pax header, or a long name
_RECORDS = 128  # of one pax header; writers need ten, and one for each extended attribute
_FILE = (b"\0", b"0", b"7")  # regular file: the old form, and what writers may store in one piece
_LINK = (b"1", b"2")
_NOTHING = (b"3", b"4", b"5", b"6")  # devices, folders, pipes
_LONG_NAME, _LONG_LINK, _PAX, _PAX_ALL = _MORE = (b"L", b"K", b"x", b"g")
_SPARSE = "GNU.sparse"
_MAX_SIZE = 1 << 50
_OCTAL = b"01234567"


class Member(NamedTuple):
    """A member of any kind. `content` of a file is good until the next member is asked for, None for all others.

    `link` is the path that a link leads to, from the archive's root.
    """

    name: str
    size: int
    link: str | None
    content: "Content | None"


class Content:
    """The bytes of a member, to be read once."""

    __slots__ = ("_left", "_stream")

    def __init__(self, stream: BinaryIO, size: int) -> None:
        self._stream = stream
        self._left = size

    def read(self, count: int = -1) -> bytes:
        """Return up to `count` bytes; fewer only at the member's end."""
        wanted = self._left if count < 0 else min(count, self._left)
        data = _exactly(self._stream, wanted)
        self._left -= len(data)
        return data

    def skip(self) -> None:
        """Read what is left."""
        while self._left:
            self.read(_PIECE)


def is_tar(head: bytes) -> bool:
    """Say whether a file starts with the header of a tar archive, by its checksum."""
    return len(head) >= BLOCK and any(head[:BLOCK]) and _has_checksum(head[:BLOCK])


def header_in(data: bytes) -> int | None:
    """Return where the first header stands in whole blocks; readers go on to it when what is in front is damaged."""
    digits = zip(data[149::BLOCK], data[150::BLOCK], data[151::BLOCK], strict=False)
    for number, each in enumerate(digits):  # of the checksum, which few other blocks have there
        if all(byte in _OCTAL for byte in each) and is_tar(data[number * BLOCK : (number + 1) * BLOCK]):
            return number * BLOCK
    return None


def members(stream: BinaryIO, each: Callable[[], None] = lambda: None) -> Iterator[Member]:
    """Yield the members, calling `each` for every header; InputError for what is damaged, cut off or not understood."""
    said: dict[str, str] = {}
    at = 0
    while True:
        block = _exactly(stream, BLOCK)
        if not any(block):
            break
        if not _has_checksum(block):
            raise _damaged("a header's checksum is wrong", at)
        each()
        kind, size = block[156:157] or b"\0", _number(block[124:136], at)
        if kind in _MORE:
            data = _extension(stream, size, at)
            if kind == _PAX:
                said.update(_pax(data, at))
            elif kind == _PAX_ALL:
                for_all = _pax(data, at).keys()
                if {"path", "size", "linkpath"} & for_all:
                    raise _damaged("a header gives one name to all members", at)
                if any(key.startswith(_SPARSE) for key in for_all):
                    raise _damaged("a header makes all members sparse", at)
            else:
                said["path" if kind == _LONG_NAME else "linkpath"] = _text(data.split(b"\0")[0])
            at += BLOCK + _padded(size)
            continue
        if any(key.startswith(_SPARSE) for key in said) or kind not in (*_FILE, *_LINK, *_NOTHING):
            raise _damaged("a member of a kind that is not looked into", at, f"type {kind!r}")
        size = _pax_size(said, size, at)
        if size and kind not in _FILE:
            raise _damaged("a link, folder or device has content", at, f"{size} bytes")
        name = said.get("path") or _name(block)
        content = Content(stream, size)
        if kind in _LINK:
            target = said.get("linkpath") or _text(block[157:257].split(b"\0")[0])
            if kind == b"2" and not target.startswith("/"):  # a symbolic link starts from where it lies
                target = name.rpartition("/")[0] + "/" + target if "/" in name else target
            yield Member(name, 0, target, None)
        else:  # a file of the old form is a folder where its name ends so, and it has nothing in it
            is_file = kind in _FILE and (size > 0 or not name.endswith("/"))
            yield Member(name, size, None, content if is_file else None)
        said = {}
        content.skip()
        _exactly(stream, _padded(size) - size)
        at += BLOCK + _padded(size)
    while piece := stream.read(_PIECE):
        if any(piece):
            raise _damaged("something follows the end of the archive", at)


def _exactly(stream: BinaryIO, count: int) -> bytes:
    data = gathered(lambda left: stream.read(min(left, _PIECE)), count)
    if len(data) < count:
        found = f"{count - len(data)} bytes are missing"
        raise InputError("this tar archive is cut off", found=found, hint="copy the archive again")
    return data


def _has_checksum(block: bytes) -> bool:
    """Hold the sum of all bytes, the field itself as blanks, against the field; old writers summed signed bytes."""
    try:
        stated = int(block[148:156].strip(b" \0") or b"x", 8)
    except ValueError:
        return False
    total = sum(block[:148]) + sum(block[156:]) + 8 * 0x20
    signed = total - 256 * sum(byte > 127 for byte in block[:148] + block[156:])
    return stated in (total, signed)


def _number(field: bytes, at: int) -> int:
    """Read a number: octal digits, or base 256 as GNU writes what has no room."""
    if field[0] == 0x80:
        value = int.from_bytes(field[1:])
    else:
        digits = field.strip(b" \0")
        if digits.strip(b"01234567"):
            raise _damaged("a size is no number", at, repr(field))
        value = int(digits or b"0", 8)
    if not 0 <= value < _MAX_SIZE:
        raise _damaged("a size is no number", at, repr(field))
    return value


def _padded(size: int) -> int:
    return -(-size // BLOCK) * BLOCK


def _extension(stream: BinaryIO, size: int, at: int) -> bytes:
    if size > _HEADER_BYTES:
        raise _damaged("a header is too large", at, f"{size} bytes")
    return _exactly(stream, _padded(size))[:size]


def _pax(data: bytes, at: int) -> dict[str, str]:
    """Read the records of a pax header: length in decimal, blank, key, =, value, line feed."""
    records: dict[str, str] = {}
    start = 0
    for _ in range(_RECORDS + 1):
        if start == len(data):
            return records
        blank = data.find(b" ", start, start + 6)
        length = data[start:blank] if blank > 0 else b""
        end = start + int(length) if length.isdigit() else 0
        if not blank + 1 < end <= len(data) or data[end - 1] != 0x0A:
            raise _damaged("a pax header is damaged", at)
        key, found, value = data[blank + 1 : end - 1].partition(b"=")
        if not found:
            raise _damaged("a pax header is damaged", at)
        records[_text(key)] = _text(value)
        start = end
    raise _damaged("a pax header has too many records", at)


def _pax_size(said: dict[str, str], size: int, at: int) -> int:
    text = said.get("size")
    return size if text is None else _number(b"%o" % int(text) if text.isdecimal() and len(text) < 16 else b"x", at)


def _name(block: bytes) -> str:
    name = _text(block[:100].split(b"\0")[0])
    prefix = _text(block[345:500].split(b"\0")[0]) if block[257:263] == b"ustar\0" else ""
    return f"{prefix}/{name}" if prefix else name


def _text(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")
