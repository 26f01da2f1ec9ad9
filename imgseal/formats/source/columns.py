"""Rectangles of bytes by their columns: sums of all rows at once, and columns of rising addresses."""

from array import array
from sys import byteorder


def row_sums(columns: list[bytes], rows: int) -> bytes:
    """Return the sum of each row modulo 256.

    The columns are added as numbers with a lane of 16 bits for every second row: up to 257 columns of 255 do not carry.
    """
    mask = int.from_bytes(b"\xff\x00" * (rows // 2 + 1), "little")
    everything = even = 0
    for column in columns:
        number = int.from_bytes(column, "little")
        everything += number
        even += number & mask
    odd = (everything - even) >> 8
    size = 2 * (rows // 2 + 2)
    out = bytearray(rows)
    out[0::2] = even.to_bytes(size, "little")[0::2][: (rows + 1) // 2]
    out[1::2] = odd.to_bytes(size, "little")[0::2][: rows // 2]
    return bytes(out)


def address_columns(first: int, step: int, rows: int) -> tuple[bytes, bytes]:
    """Return the high and the low bytes of 16-bit addresses that rise by `step` from `first`."""
    addresses = array("H", range(first, first + step * rows, step))
    if byteorder == "little":
        addresses.byteswap()
    both = addresses.tobytes()
    return both[0::2], both[1::2]
