"""CBOR with one encoding for one meaning: RFC 8949 section 4.2.1, core deterministic encoding.

Read within bounds of depth and number of items. Refused are longer heads than needed, indefinite lengths, unsorted or
repeated keys, trailing bytes, and floating point, which is not part of anything read here. Keys of maps are integers,
text, and arrays of byte strings (SUIT's component identifiers): in Python `true` and 1 are one key of a dictionary.
"""

from typing import Any, NoReturn, TypeGuard

from imgseal.errors import InputError, Place
from imgseal.limits import CBOR_DEPTH, CBOR_ITEMS
from imgseal.records import NamedTuple

UINT, NINT, BSTR, TSTR, ARRAY, MAP, TAG, SIMPLE = range(8)
_SIMPLE = {20: False, 21: True, 22: None}
_KEYS = (UINT, NINT, TSTR)
_KEY_WORDS = "an integer, a text, or an array of byte strings"


class CborError(InputError):
    """The bytes are not CBOR in deterministic encoding, or not of the shape asked for."""

    usual_hint = "get the package again from its source, or make it again: imgseal build"


class Tag(NamedTuple):
    """A tagged value."""

    number: int
    value: object


class Head(NamedTuple):
    """The head of an item: major type, argument, and the offset behind the head."""

    major: int
    argument: int
    end: int


def _refuse(what: str, offset: int, message: str, expected: str | None = None, found: str | None = None) -> NoReturn:
    raise CborError(f"{what}: {message}", place=Place(offset=offset), expected=expected, found=found)


def read_head(data: bytes | memoryview, offset: int, what: str) -> Head:
    """Read one head; CborError when it is cut off, longer than needed, or of indefinite length."""
    if offset >= len(data):
        _refuse(what, offset, "the bytes end where an item is expected")
    first = data[offset]
    major, info = first >> 5, first & 31
    if info < 24:
        return Head(major, info, offset + 1)
    if info > 27:
        _refuse(what, offset, "an indefinite length or reserved head", "a definite length", f"0x{first:02x}")
    size = 1 << (info - 24)
    raw = bytes(data[offset + 1 : offset + 1 + size])
    if len(raw) != size:
        _refuse(what, offset, "the bytes end inside a head")
    argument = int.from_bytes(raw)
    if major == SIMPLE:
        if info > 24:
            _refuse(what, offset, "floating point is not used here")
        _refuse(what, offset, "a simple value that is not used here", "false, true or null", str(argument))
    if argument < (24, 1 << 8, 1 << 16, 1 << 32)[info - 24]:
        _refuse(what, offset, "a head that is longer than needed", "the shortest form", f"{size} bytes for {argument}")
    return Head(major, argument, offset + 1 + size)


class _Reader:
    """One walk; counts items."""

    __slots__ = ("data", "items", "sorted_maps", "tags", "what")

    def __init__(self, data: bytes | memoryview, what: str, sorted_maps: bool, tags: frozenset[int]) -> None:
        self.data = data
        self.what = what
        self.sorted_maps = sorted_maps
        self.tags = tags
        self.items = 0

    def item(self, offset: int, depth: int) -> tuple[Any, int]:
        """Read one item; return its value and the offset behind it."""
        self.items += 1
        if self.items > CBOR_ITEMS:
            _refuse(self.what, offset, "too many items", f"at most {CBOR_ITEMS}", "more")
        if depth > CBOR_DEPTH:
            _refuse(self.what, offset, "nested too deeply", f"at most {CBOR_DEPTH} levels", "more")
        major, argument, end = read_head(self.data, offset, self.what)
        if major <= NINT:
            return (argument if major == UINT else -1 - argument), end
        if major in (BSTR, TSTR):
            left = len(self.data) - end
            if argument > left:
                message = "a string goes on behind the end"
                _refuse(self.what, offset, message, f"{argument} bytes", f"{left} bytes")
            content = bytes(self.data[end : end + argument])
            return (content if major == BSTR else self.text(content, offset)), end + argument
        if major == ARRAY:
            values = []
            for _ in range(self.bounded(argument, offset, end)):
                value, end = self.item(end, depth + 1)
                values.append(value)
            return values, end
        if major == MAP:
            return self.map(offset, end, argument, depth)
        if major == TAG:
            if argument not in self.tags:
                _refuse(self.what, offset, "a tag that does not belong here", _numbers(self.tags), str(argument))
            value, end = self.item(end, depth + 1)
            return Tag(argument, value), end
        if argument not in _SIMPLE:
            _refuse(self.what, offset, "a simple value that is not used here", "false, true or null", str(argument))
        return _SIMPLE[argument], end

    def map(self, offset: int, end: int, count: int, depth: int) -> tuple[dict[Any, object], int]:
        """Read the entries of a map; keys are compared as the bytes they are encoded in."""
        entries: dict[Any, object] = {}
        last = b""
        for _ in range(self.bounded(count, offset, end)):
            start = end
            self.kind_of_key(start)
            key, end = self.item(end, depth + 1)
            encoded = bytes(self.data[start:end])
            key = tuple(key) if isinstance(key, list) else key
            if key in entries:
                _refuse(self.what, start, "a key stands twice in a map", found=encoded.hex())
            if self.sorted_maps and encoded < last:
                _refuse(self.what, start, "the keys of a map are not in order", f"before {last.hex()}", encoded.hex())
            last = encoded
            entries[key], end = self.item(end, depth + 1)
        return entries, end

    def kind_of_key(self, offset: int) -> None:
        """Refuse a key that is no integer, text or array of byte strings."""
        major, argument, end = read_head(self.data, offset, self.what)
        if major == ARRAY:
            for _ in range(self.bounded(argument, offset, end)):
                part = read_head(self.data, end, self.what)
                if part.major != BSTR:
                    break
                end = part.end + part.argument
            else:
                return
        elif major in _KEYS:
            return
        _refuse(
            self.what, offset, "a key of a map that is of no kind used here", _KEY_WORDS, f"0x{self.data[offset]:02x}"
        )

    def bounded(self, count: int, offset: int, end: int) -> int:
        """Refuse a count that the remaining bytes cannot hold."""
        if count > len(self.data) - end:
            _refuse(self.what, offset, "more items than bytes", f"at most {len(self.data) - end}", str(count))
        return count

    def text(self, content: bytes, offset: int) -> str:
        """Return the text of a text string."""
        try:
            return content.decode("utf-8")
        except UnicodeDecodeError:
            _refuse(self.what, offset, "a text string is not UTF-8")


def is_integer(value: object) -> TypeGuard[int]:
    """Say whether a decoded value is an integer; in Python true and false are, too."""
    return type(value) is int


def _numbers(tags: frozenset[int]) -> str:
    return "one of " + ", ".join(map(str, sorted(tags))) if tags else "no tag"


def scan(
    data: bytes | memoryview, offset: int, what: str, *, sorted_maps: bool = True, tags: frozenset[int] = frozenset()
) -> int:
    """Walk over one item at `offset` and return the offset behind it; CborError for anything not deterministic."""
    return _Reader(data, what, sorted_maps, tags).item(offset, 0)[1]


def decode(data: bytes, what: str, *, sorted_maps: bool = True, tags: frozenset[int] = frozenset()) -> object:
    """Decode exactly one item: int, bytes, str, bool, None, list, dict, Tag. Arrays as map keys are tuples.

    `what` names the thing in errors. Raises CborError.
    """
    value, end = _Reader(data, what, sorted_maps, tags).item(0, 0)
    if end != len(data):
        _refuse(what, end, "bytes follow the item", "the end", f"{len(data) - end} bytes")
    return value


def encode(value: object) -> bytes:
    """Encode a value deterministically; the mirror of `decode`. Tuples are arrays, memoryviews byte strings."""
    if isinstance(value, Tag):
        return _head(TAG, value.number) + encode(value.value)
    if isinstance(value, dict):
        entries = sorted((encode(key), encode(entry)) for key, entry in value.items())
        return _head(MAP, len(entries)) + b"".join(key + entry for key, entry in entries)
    if isinstance(value, (list, tuple)):
        return _head(ARRAY, len(value)) + b"".join(encode(entry) for entry in value)
    if isinstance(value, (bytes, memoryview)):
        return _head(BSTR, len(value)) + bytes(value)
    if isinstance(value, str):
        text = value.encode()
        return _head(TSTR, len(text)) + text
    if value is None or isinstance(value, bool):
        return _head(SIMPLE, 22 if value is None else 20 + value)
    if isinstance(value, int):
        return _head(UINT, value) if value >= 0 else _head(NINT, -1 - value)
    raise TypeError(f"{type(value).__name__} has no place in our CBOR")


def _head(major: int, argument: int) -> bytes:
    if argument < 24:
        return bytes([major << 5 | argument])
    for info, size in ((24, 1), (25, 2), (26, 4), (27, 8)):
        if argument < 1 << (8 * size):
            return bytes([major << 5 | info]) + argument.to_bytes(size)
    raise ValueError("a CBOR head holds 64 bits")


def map_head(count: int) -> bytes:
    """Return the head of a map of `count` entries, for maps that are streamed."""
    return _head(MAP, count)


def bstr_head(size: int) -> bytes:
    """Return the head of a byte string of `size` bytes, for strings that are streamed."""
    return _head(BSTR, size)
