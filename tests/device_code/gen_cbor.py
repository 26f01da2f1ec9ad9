"""CBOR of generated packages: written here anew, so that what no encoder of imgseal would write can be written.

Integers of any size, byte and text strings, lists, maps (sorted by their encoded keys), true, false and None. `Pairs` is a map whose
entries stay in their order, doubles too; `Raw` is what is there already; `Tagged` has a tag.
"""

from typing import NamedTuple

__all__ = ["Pairs", "Raw", "Tagged", "emit", "head"]


class Raw(NamedTuple):
    data: bytes


class Pairs(NamedTuple):
    entries: list[tuple[object, object]]


class Tagged(NamedTuple):
    number: int
    value: object


def head(major: int, value: int) -> bytes:
    """The shortest head; of a number beyond 64 bits what a bignum would hold, as 64 bits."""
    for info, width in ((0, 0), (24, 1), (25, 2), (26, 4), (27, 8)):
        if width == 0 and value < 24:
            return bytes([major << 5 | value])
        if width and value < 1 << 8 * width:
            return bytes([major << 5 | info]) + value.to_bytes(width)
    return bytes([major << 5 | 27]) + (value & (1 << 64) - 1).to_bytes(8)


def emit(value: object) -> bytes:
    if isinstance(value, Raw):
        return value.data
    if value is None or isinstance(value, bool):
        return {False: b"\xf4", True: b"\xf5", None: b"\xf6"}[value]
    if isinstance(value, int):
        return head(0, value) if value >= 0 else head(1, -1 - value)
    if isinstance(value, bytes):
        return head(2, len(value)) + value
    if isinstance(value, str):
        return head(3, len(value.encode())) + value.encode()
    if isinstance(value, Tagged):
        return head(6, value.number) + emit(value.value)
    if isinstance(value, Pairs):
        return head(5, len(value.entries)) + b"".join(emit(key) + emit(entry) for key, entry in value.entries)
    if isinstance(value, dict):
        return head(5, len(value)) + b"".join(sorted(emit(key) + emit(entry) for key, entry in value.items()))
    assert isinstance(value, list), value
    return head(4, len(value)) + b"".join(emit(entry) for entry in value)
