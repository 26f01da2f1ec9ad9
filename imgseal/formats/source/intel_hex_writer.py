"""Writes Intel HEX: 16 bytes a record, upper case, line feeds, type 04 only when the address's upper half changes.

Whole 64 KiB pages are written as a rectangle of bytes, with all checksums computed at once as lanes of big integers.
"""

from binascii import hexlify
from collections.abc import Iterable, Iterator

from imgseal.formats.source.columns import address_columns, row_sums

_ROW = 16
_WIDTH = _ROW + 5
_NEGATED = bytes(-value & 0xFF for value in range(256))


def write_intel_hex(pieces: Iterable[tuple[int, bytes | memoryview]], start: int | None = None) -> Iterator[bytes]:
    """Yield the file's text for pieces of (address, data) in ascending order; `start` gives a type 05 record."""
    upper: int | None = None
    for address, data in pieces:
        position = 0
        while position < len(data):
            here = address + position
            count = min(len(data) - position, 0x10000 - (here & 0xFFFF))
            if here >> 16 != upper:
                upper = here >> 16
                yield _record(4, 0, upper.to_bytes(2))
            yield from _page(here & 0xFFFF, bytes(data[position : position + count]))
            position += count
    if start is not None:
        yield _record(5, 0, start.to_bytes(4))
    yield b":00000001FF\n"


def _record(kind: int, offset: int, data: bytes) -> bytes:
    raw = bytes([len(data)]) + offset.to_bytes(2) + bytes([kind]) + data
    return b":" + hexlify(raw + bytes([-sum(raw) & 0xFF])).upper() + b"\n"


def _page(offset: int, data: bytes) -> Iterator[bytes]:
    """Yield the data records of a piece inside one 64 KiB page; rows end on multiples of 16."""
    lead = min(-offset % _ROW, len(data))
    if lead:
        yield _record(0, offset, data[:lead])
    rows = (len(data) - lead) // _ROW
    if rows:
        yield _rectangle(offset + lead, data[lead : lead + rows * _ROW], rows)
    done = lead + rows * _ROW
    if done < len(data):
        yield _record(0, offset + done, data[done:])


def _rectangle(offset: int, data: bytes, rows: int) -> bytes:
    columns = [bytes([_ROW]) * rows, *address_columns(offset, _ROW, rows), bytes(rows)]
    columns += [data[index::_ROW] for index in range(_ROW)]
    raw = bytearray(rows * _WIDTH)
    for index, column in enumerate(columns):
        raw[index::_WIDTH] = column
    raw[_WIDTH - 1 :: _WIDTH] = row_sums(columns, rows).translate(_NEGATED)
    text = hexlify(raw, b"\n", -_WIDTH).upper()
    return b":" + text.replace(b"\n", b"\n:") + b"\n"
