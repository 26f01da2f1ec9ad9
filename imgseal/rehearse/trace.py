"""What a life has read of its flash before it replaced it: two moments that agree in this lead to the same life.

Where a block is erased before anyone has looked at it, it does not matter what a cut has left there.
"""

from collections.abc import Mapping

from imgseal.product.model import Memory
from imgseal.rehearse.contents import Block, Key, Range, in_range


class Trace:
    """Notes reads, from byte to byte in a block, and the blocks that were erased; what is read after that is new."""

    __slots__ = ("_ranges", "_replaced", "_spans")

    def __init__(self) -> None:
        self._spans: dict[Key, tuple[int, int]] = {}
        self._ranges: set[Range] = set()
        self._replaced: set[Key] = set()

    def read(self, key: Key, start: int, count: int) -> None:
        """Some bytes of a block are read, or programmed over."""
        if key not in self._replaced:
            low, high = self._spans.get(key, (start, start))
            self._spans[key] = min(low, start), max(high, start + count)

    def read_all(self, part: Range, size: int) -> None:
        """All blocks of a range are read; each has that size."""
        if part in self._ranges:
            return
        if not any(in_range(key, part) for key in self._replaced):
            self._ranges.add(part)
            return
        for number in range(part[1], part[2]):
            self.read((part[0], number), 0, size)

    def replace(self, key: Key) -> None:
        """A block is erased."""
        self._replaced.add(key)

    @property
    def looked_at(self) -> set[Key]:
        """The blocks that were read before they were erased, if they were."""
        ranges = ((memory, number) for memory, first, end in self._ranges for number in range(first, end))
        return {*self._spans, *ranges}

    @property
    def replaced(self) -> frozenset[Key]:
        """The blocks that were erased."""
        return frozenset(self._replaced)

    def agree(
        self, key: Key, one: Mapping[Key, Block], other: Mapping[Key, Block], memory: Memory, *, to_the_end: bool
    ) -> bool:
        """Say whether a life does not tell apart what two moments hold in a block.

        `to_the_end` says that it matters what is still there in the end.
        """
        mine, others = one.get(key), other.get(key)
        if mine is others:
            return True
        if to_the_end and key not in self._replaced:
            return False
        span = self._spans.get(key)
        if any(in_range(key, part) for part in self._ranges):
            span = 0, memory.erase_block
        return span is None or _reads(memory, mine, *span) == _reads(memory, others, *span) is not None


def _reads(memory: Memory, block: Block | None, start: int, end: int) -> tuple[int, bytes] | None:
    """Return what bytes of a block read as each time, and which units count as programmed; None where it varies."""
    if block is None:
        return None if memory.erased is None else (0, bytes([memory.erased]) * (end - start))
    first, last = start // memory.write_unit, (end - 1) // memory.write_unit
    units = (1 << last - first + 1) - 1
    if block.weak or block.torn >> first & units or (memory.erased is None and block.done >> first & units != units):
        return None
    return block.done >> first & units, block.read(start, end - start)
