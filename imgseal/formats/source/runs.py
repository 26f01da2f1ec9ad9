"""The fast path: thousands of regular records at once.

Real files are mostly runs of data records of one length at rising addresses. Such a run is a rectangle of text: every
line has the same length. It is decoded with a few calls over the whole rectangle, and all of its checksums are verified
at once by adding the columns as lanes of big integers. Whatever is not exactly regular is left to the record-by-record
readers, and only they make errors.
"""

from binascii import Error, unhexlify

from imgseal.formats.source.columns import address_columns, row_sums
from imgseal.records import NamedTuple

_LEAST = 8
"""Shorter runs are not worth the setting up."""

_WIDEST = 257
"""Bytes of a record; so many of 255 add up to less than 2**16, the width of a lane."""

_addresses: dict[tuple[int, int, int], tuple[bytes, bytes]] = {}


class Layout(NamedTuple):
    """How a data record is written.

    `prefix` is the text before the hex digits, `address_bytes` the width of the address, `typed` says whether a zero
    type byte follows it, `counted` is what the count byte counts beyond the data, `total` what all bytes of a record
    add up to modulo 256.
    """

    prefix: bytes
    address_bytes: int
    typed: bool
    counted: int
    total: int


class Run(NamedTuple):
    """A run that was read.

    Address and bytes of its data, its records, data bytes on each, bytes of text taken, and whether records of the same
    length follow that do not go on at its end.
    """

    address: int
    data: bytes
    records: int
    per_record: int
    taken: int
    broken_off: bool


def take_run(block: bytes, position: int, layout: Layout, most: int) -> Run | None:
    """Read the longest regular run of up to `most` records that starts at `position`; None where there is none.

    A run never crosses a 64 KiB boundary of the record address.
    """
    end = block.find(b"\n", position)
    if end < 0:
        return None
    prefix = layout.prefix
    stride = end + 1 - position
    tail = b"\r\n" if block[end - 1] == 13 else b"\n"
    digits = stride - len(tail) - len(prefix)
    width = digits // 2
    head = 1 + layout.address_bytes + layout.typed
    per_record = width - head - 1
    records = (len(block) - position) // stride
    if digits % 2 or per_record < 1 or width > _WIDEST or records < _LEAST:
        return None
    try:
        first = unhexlify(block[position + len(prefix) : position + len(prefix) + 2 * head])
        second_at = position + stride + len(prefix)
        second = unhexlify(block[second_at : second_at + 2 * head])
    except Error:
        return None
    address = int.from_bytes(first[1 : 1 + layout.address_bytes])
    if (
        first[0] != per_record + layout.counted
        or (layout.typed and first[-1])
        or second[0] != first[0]
        or int.from_bytes(second[1 : 1 + layout.address_bytes]) != address + per_record
    ):
        return None
    low = address & 0xFFFF
    records = min(records, most, (0x10000 - low) // per_record)
    ends = block[position + stride - 1 : position + records * stride : stride]
    records = len(ends) - len(ends.lstrip(b"\n"))
    if records < _LEAST:
        return None
    taken = records * stride
    raw = _digits_of(block[position : position + taken], stride, records, prefix, tail)
    if raw is None:
        return None
    columns = [raw[index::width] for index in range(width)]
    regular = _regular(columns, records, first, low, per_record, layout)
    if regular < _LEAST:
        return None
    broken_off = regular < records
    if broken_off:
        records, taken = regular, regular * stride
        columns = [column[:records] for column in columns]
    if row_sums(columns, records) != bytes([layout.total]) * records:
        return None
    data = bytearray(records * per_record)
    for index in range(per_record):
        data[index::per_record] = columns[head + index]
    return Run(address, bytes(data), records, per_record, taken, broken_off)


def _digits_of(block: bytes, stride: int, records: int, prefix: bytes, tail: bytes) -> bytes | None:
    """Take prefix and line end off every line, column by column, and decode the digits left; None if one is none."""
    for column, character in (*enumerate(prefix), *enumerate(tail, stride - len(tail))):
        if block[column::stride] != bytes([character]) * records:
            return None
    text = bytearray(block)
    for _ in prefix:
        del text[0::stride]
        stride -= 1
    for _ in tail:
        del text[stride - 1 :: stride]
        stride -= 1
    try:
        return unhexlify(text)
    except Error:
        return None


def _regular(columns: list[bytes], records: int, first: bytes, low: int, step: int, layout: Layout) -> int:
    """Return how many records have the first one's count and type, and addresses that rise by the record's data."""
    constant = [0, *range(1, layout.address_bytes - 1)]
    if layout.typed:
        constant.append(layout.address_bytes + 1)
    wanted = {index: bytes([first[index]]) * records for index in constant}
    key = (low, step, records)
    expected = _addresses.get(key)
    if expected is None:
        expected = address_columns(low, step, records)
        if len(_addresses) < 64:
            _addresses[key] = expected
    wanted[layout.address_bytes - 1], wanted[layout.address_bytes] = expected
    return min(_same(columns[index], column) for index, column in wanted.items())


def _same(found: bytes, wanted: bytes) -> int:
    """Return how many bytes at the start of two equally long columns are the same."""
    if found == wanted:
        return len(found)
    different = int.from_bytes(found, "little") ^ int.from_bytes(wanted, "little")
    return ((different & -different).bit_length() - 1) // 8
