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

    __slots__ = ("_arrays", "_names", "_struct", "fields", "size")

    def __init__(self, rows: Iterable[tuple[str, str, str]]) -> None:
        fields: list[Field] = []
        self.size = 0
        for name, code, meaning in rows:
            size = struct.calcsize("<" + code)
            fields.append(Field(self.size, size, name, code, meaning))
            self.size += size
        self.fields = tuple(fields)
        # a field of several values, such as "16I", is bytes at first: most fields need nothing but one call for all
        several = [i for i, f in enumerate(fields) if f.code[:-1] and f.code[-1] != "s"]
        self._arrays = [(i, struct.Struct("<" + fields[i].code), int(fields[i].code[:-1])) for i in several]
        codes = [f"{f.size}s" if i in several else f.code for i, f in enumerate(fields)]
        self._struct = struct.Struct("<" + "".join(codes))
        self._names = [f.name for f in fields]

    def pack(self, values: Mapping[str, Any]) -> bytes:
        """Return the bytes of these values; a field of several takes a sequence, with zeros for those that it lacks."""
        out = [values[name] for name in self._names]
        for index, array, count in self._arrays:
            out[index] = array.pack(*out[index], *[0] * (count - len(out[index])))
        return self._struct.pack(*out)

    def unpack(self, data: bytes | memoryview, offset: int = 0) -> dict[str, Any]:
        """Return the values by name; those of a field of several as a tuple."""
        out = list(self._struct.unpack_from(data, offset))
        for index, array, _ in self._arrays:
            out[index] = array.unpack(out[index])
        return dict(zip(self._names, out, strict=True))
