"""CBOR with one encoding for one meaning: RFC 8949 section 4.2.1, core deterministic encoding.

The only user of the CBOR library. `scan` walks over the bytes first, within bounds of depth and number of items, and
refuses what the library would let pass: longer heads than needed, indefinite lengths, unsorted or repeated keys,
trailing bytes. Floating point is not part of anything read here and refused as well. Keys of maps are integers, text,
and arrays of byte strings (SUIT's component identifiers): in Python `true` and 1 are one key of a dictionary.
"""

from collections.abc import Mapping
from typing import NoReturn

from imgseal.errors import InputError, Place
from imgseal.limits import CBOR_DEPTH, CBOR_ITEMS
from imgseal.records import NamedTuple

UINT, NINT, BSTR, TSTR, ARRAY, MAP, TAG, SIMPLE = range(8)
_SIMPLE = (20, 21, 22)  # false, true, null
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


class _Scan:
    """One walk; counts items."""

    __slots__ = ("data", "items", "sorted_maps", "tags", "what")

    def __init__(self, data: bytes | memoryview, what: str, sorted_maps: bool, tags: frozenset[int]) -> None:
        self.data = data
        self.what = what
        self.sorted_maps = sorted_maps
        self.tags = tags
        self.items = 0

    def item(self, offset: int, depth: int) -> int:
        """Walk over one item and return the offset behind it."""
        self.items += 1
        if self.items > CBOR_ITEMS:
            _refuse(self.what, offset, "too many items", f"at most {CBOR_ITEMS}", "more")
        if depth > CBOR_DEPTH:
            _refuse(self.what, offset, "nested too deeply", f"at most {CBOR_DEPTH} levels", "more")
        major, argument, end = read_head(self.data, offset, self.what)
        if major <= NINT:
            return end
        if major in (BSTR, TSTR):
            if argument > len(self.data) - end:
                _refuse(
                    self.what,
                    offset,
                    "a string goes on behind the end",
                    f"{argument} bytes",
                    f"{len(self.data) - end} bytes",
                )
            if major == TSTR:
                self.text(offset, end, argument)
            return end + argument
        if major == ARRAY:
            for _ in range(self.bounded(argument, offset, end)):
                end = self.item(end, depth + 1)
            return end
        if major == MAP:
            return self.map(offset, end, argument, depth)
        if major == TAG:
            if argument not in self.tags:
                _refuse(self.what, offset, "a tag that does not belong here", _numbers(self.tags), str(argument))
            return self.item(end, depth + 1)
        if argument not in _SIMPLE:
            _refuse(self.what, offset, "a simple value that is not used here", "false, true or null", str(argument))
        return end

    def map(self, offset: int, end: int, count: int, depth: int) -> int:
        """Walk over the entries of a map; keys are compared as the bytes they are encoded in."""
        seen: set[bytes] = set()
        last = b""
        for _ in range(self.bounded(count, offset, end)):
            start = end
            self.kind_of_key(start)
            end = self.item(end, depth + 1)
            key = bytes(self.data[start:end])
            if key in seen:
                _refuse(self.what, start, "a key stands twice in a map", found=key.hex())
            if self.sorted_maps and key < last:
                _refuse(self.what, start, "the keys of a map are not in order", f"before {last.hex()}", key.hex())
            seen.add(key)
            last = key
            end = self.item(end, depth + 1)
        return end

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

    def text(self, offset: int, start: int, size: int) -> None:
        try:
            bytes(self.data[start : start + size]).decode("utf-8")
        except UnicodeDecodeError:
            _refuse(self.what, offset, "a text string is not UTF-8")


def _numbers(tags: frozenset[int]) -> str:
    return "one of " + ", ".join(map(str, sorted(tags))) if tags else "no tag"


def scan(
    data: bytes | memoryview, offset: int, what: str, *, sorted_maps: bool = True, tags: frozenset[int] = frozenset()
) -> int:
    """Walk over one item at `offset` and return the offset behind it; CborError for anything not deterministic."""
    return _Scan(data, what, sorted_maps, tags).item(offset, 0)


def decode(data: bytes, what: str, *, sorted_maps: bool = True, tags: frozenset[int] = frozenset()) -> object:
    """Decode exactly one item: int, bytes, str, bool, None, list, dict, Tag. Arrays as map keys are tuples.

    `what` names the thing in errors. Raises CborError.
    """
    end = scan(data, 0, what, sorted_maps=sorted_maps, tags=tags)
    if end != len(data):
        _refuse(what, end, "bytes follow the item", "the end", f"{len(data) - end} bytes")
    import cbor2  # noqa: PLC0415 - 8 ms, only where there is CBOR

    try:
        return _plain(cbor2.loads(data))
    except (cbor2.CBORDecodeError, ValueError, TypeError) as error:
        raise CborError(f"{what}: not readable CBOR", place=Place(offset=0), found=str(error)) from None


def _plain(value: object) -> object:
    import cbor2  # noqa: PLC0415 - 8 ms, only where there is CBOR

    if isinstance(value, cbor2.CBORTag):
        return Tag(value.tag, _plain(value.value))
    if isinstance(value, (list, tuple)):  # arrays inside a tag come as tuples
        return [_plain(entry) for entry in value]
    if isinstance(value, Mapping):  # and maps as immutable ones
        return {key: _plain(entry) for key, entry in value.items()}
    return value


def encode(value: object) -> bytes:
    """Encode a value deterministically; the mirror of `decode`. Tuples are arrays, memoryviews byte strings."""
    import cbor2  # noqa: PLC0415 - 8 ms, only where there is CBOR

    if isinstance(value, Tag):
        return _head(TAG, value.number) + encode(value.value)
    if isinstance(value, dict):
        entries = sorted((encode(key), encode(entry)) for key, entry in value.items())
        return _head(MAP, len(entries)) + b"".join(key + entry for key, entry in entries)
    if isinstance(value, (list, tuple)):
        return _head(ARRAY, len(value)) + b"".join(encode(entry) for entry in value)
    if isinstance(value, memoryview):
        return _head(BSTR, len(value)) + bytes(value)
    if value is None or isinstance(value, (bool, int, bytes, str)):
        return cbor2.dumps(value)
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
