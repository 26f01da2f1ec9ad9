"""Structures of bytes by their field tables: one declaration for what is written, read, shown and documented."""

import struct
from collections.abc import Iterable, Mapping
from typing import Any

from imgseal.records import NamedTuple


class Field(NamedTuple):
    """One field: byte offset, size in bytes, name, `struct` code, meaning in a few words."""

    offset: int
    size: int
    name: str
    code: str
    meaning: str


class Layout:
    """Fields in their order, little-endian and without gaps; `rows` are name, `struct` code and meaning."""

    __slots__ = ("_counts", "_struct", "fields", "size")

    def __init__(self, rows: Iterable[tuple[str, str, str]]) -> None:
        fields: list[Field] = []
        self.size = 0
        for name, code, meaning in rows:
            size = struct.calcsize("<" + code)
            fields.append(Field(self.size, size, name, code, meaning))
            self.size += size
        self.fields = tuple(fields)
        self._struct = struct.Struct("<" + "".join(field.code for field in fields))
        # how many values a field has: "16s" is one, "16I" sixteen, "I" one that stands alone
        self._counts = [(f.name, 0 if f.code[-1] == "s" or len(f.code) == 1 else int(f.code[:-1])) for f in fields]

    def pack(self, values: Mapping[str, Any]) -> bytes:
        """Return the bytes of these values; a field of several takes a sequence, with zeros for those that it lacks."""
        out: list[Any] = []
        for name, count in self._counts:
            value = values[name]
            out += [*value, *[0] * (count - len(value))] if count else [value]
        return self._struct.pack(*out)

    def unpack(self, data: bytes | memoryview, offset: int = 0) -> dict[str, Any]:
        """Return the values by name; those of a field of several as a tuple."""
        values = self._struct.unpack_from(data, offset)
        out, at = {}, 0
        for name, count in self._counts:
            out[name] = values[at : at + count] if count else values[at]
            at += count or 1
        return out
