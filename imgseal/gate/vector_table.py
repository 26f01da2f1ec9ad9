"""Flat binaries, which say nothing of themselves: known by a vector table that fits the memories of the product file.

Armv7-M Architecture Reference Manual B1.5.3: the initial stack pointer, then the addresses of handlers, with bit 0 set
as all code is Thumb. docs/decisions/050 has the rate of false alarms.
"""

import re
from collections.abc import Iterable
from struct import Struct

from imgseal.product.model import Memory, Product
from imgseal.records import NamedTuple

_STEP = 32
"""Where tables are looked for: behind headers of loaders, in blocks of transfer formats, in dumps of a whole flash."""

_ENTRIES = Struct("<16I")
TABLE_BYTES = _ENTRIES.size
"""Stack pointer and system handlers: what a table behind something else is known by."""

_HAS = (2, 3)  # NMI and HardFault, which no core does without
_MAY_HAVE = (4, 5, 6, 11, 12, 14, 15)  # zero where a core has none; makers use 7 to 10 and 13 for other things
_START = Struct("<2I")
_TAKEN = 16  # no code lies in the first entries of the table at the begin of a memory
_ALIGNED = 4  # all that the core asks of a stack pointer; that code wants 8 is for the judge to say


class Table(NamedTuple):
    """A vector table: where it stands in the file, and what it says, in words."""

    offset: int
    words: str


class VectorTables:
    """Looks for the vector tables of firmware for any of some products."""

    __slots__ = ("_flashes", "_high", "_rams")

    def __init__(self, products: Iterable[Product]) -> None:
        memories = {memory for product in products for memory in product.memories.values()}
        ordered = sorted(memories, key=lambda each: each.base)
        self._rams = [memory for memory in ordered if memory.kind == "ram"]
        self._flashes = [memory for memory in ordered if memory.kind != "ram"]
        high = {byte for ram in self._rams for byte in range(ram.base >> 24, (ram.base + ram.size >> 24) + 1)}
        self._high = re.compile(b"[" + re.escape(bytes(sorted(high & set(range(256))))) + b"]") if high else None

    def first(self, head: bytes) -> Table | None:
        """Return the table that a file begins with: a stack pointer in RAM, a reset vector in flash."""
        if len(head) < _START.size:
            return None
        stack, reset = _START.unpack_from(head)
        ram, flash = self._places(stack, reset)
        return None if ram is None or flash is None else _table(0, stack, ram, reset, flash)

    def find(self, data: bytes, offset: int) -> Table | None:
        """Return the first table in `data` at a multiple of 32 of a file, where `data` begins at `offset`.

        Its other system handlers have to fit as well: they lie in the memory of the first one.
        """
        if self._high is None:
            return None
        begin = -offset % _STEP
        for match in self._high.finditer(data[begin + 3 :: _STEP]):  # high bytes of what may be stack pointers
            at = begin + match.start() * _STEP
            if len(data) - at < TABLE_BYTES:
                break
            stack, reset, *_ = entries = _ENTRIES.unpack_from(data, at)
            ram, flash = self._places(stack, reset)
            if ram is None or flash is None:
                continue
            has = all(_is_handler(entries[number], flash) for number in _HAS)
            if has and all(entries[number] == 0 or _is_handler(entries[number], flash) for number in _MAY_HAVE):
                return _table(offset + at, stack, ram, reset, flash)
        return None

    def _places(self, stack: int, reset: int) -> tuple[Memory | None, Memory | None]:
        """Return the RAM and the flash that the first two entries of a table name."""
        if stack % _ALIGNED:
            return None, None
        return (
            next((each for each in self._rams if each.base < stack <= each.base + each.size), None),
            next((each for each in self._flashes if _is_handler(reset, each)), None),
        )


def _is_handler(vector: int, memory: Memory) -> bool:
    return bool(vector & 1) and memory.base + _TAKEN <= vector < memory.base + memory.size


def _table(offset: int, stack: int, ram: Memory, reset: int, flash: Memory) -> Table:
    words = f"stack pointer 0x{stack:08x} in {ram.name}, reset vector 0x{reset:08x} in {flash.name}"
    return Table(offset, words)
