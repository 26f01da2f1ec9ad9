"""Simulated flash: what it may do after a power cut is what it does here. Common practice, no source.

Erasing sets a block to 0xFF, or to 0x00 where the memory says so. Programming changes bits to the other value in whole
write units, once per erase where the memory says so. An operation is one erase, or one program call of at most a page;
a cut tears it. A torn unit reads as old, new or anything between, differently from read to read, or as an error on ECC
flash. A block whose erase was cut short may read as erased, as before, or as anything, and whatever is programmed into
it before it is erased again is unreliable too. Where a memory is unreadable erased, units that nobody has programmed
read as anything. A worn block erases, and takes no programming without saying so.
"""

from typing import TYPE_CHECKING

from imgseal.product.model import Memory, Product
from imgseal.records import NamedTuple
from imgseal.rehearse.noise import Noise

if TYPE_CHECKING:
    from collections.abc import Callable

_NOTHING: frozenset[int] = frozenset()


class PowerCutError(Exception):
    """The battery has failed inside an operation; the device starts again from nothing but its flash."""


class FlashReadError(Exception):
    """An ECC memory reports that a unit cannot be read."""


class FlashRuleError(Exception):
    """The device's code has broken a rule of the flash, which a real part would not forgive."""


class Operation(NamedTuple):
    """One erase or program call: memory, address from the memory's base, what is programmed (None: an erase)."""

    memory: str
    at: int
    data: bytes | None

    def __str__(self) -> str:
        what = "erase" if self.data is None else f"program {len(self.data)} bytes at"
        return f"{what} {self.memory}+0x{self.at:x}"


def counts_units(memory: Memory) -> bool:
    """Say whether it matters which units of a memory have been programmed since their erase."""
    return memory.program_once or memory.erased is None


class Block:
    """One erase block that is not simply erased. Never changed: an operation makes a new one.

    `done` are the units programmed since the erase, `torn` those that a cut has left unreliable, as bit masks by unit;
    `weak` marks an erase that was cut short, and `before` is what the block held then.
    """

    __slots__ = ("_hash", "before", "data", "done", "firm", "torn", "weak")

    def __init__(self, data: bytes, done: int, torn: int, weak: bool, before: bytes) -> None:
        self.data = data
        self.done = done
        self.torn = torn
        self.weak = weak
        self.before = before
        self.firm = not torn and not weak  # whether every read gives the same
        self._hash: int | None = None

    def __eq__(self, other: object) -> bool:
        return self is other or (isinstance(other, Block) and self._key() == other._key())

    def __hash__(self) -> int:
        if self._hash is None:
            self._hash = hash((self.data, self.done, self.torn, self.weak))
        return self._hash

    def _key(self) -> tuple[object, ...]:
        return self.data, self.done, self.torn, self.weak, self.before


def _programmed(old: int, new: int, erased: int) -> int:
    """Return a byte of flash with another programmed over it: bits only leave the erased value."""
    return old & new if erased else old | new


Snapshot = dict[tuple[str, int], Block]
"""Memory and block number -> block; a block that is not there is erased."""


class Flash:
    """All flash memories of a device.

    `watch` is called before each operation takes effect; when it returns True, the operation is torn and
    PowerCutError raised. `noise` decides what unreliable units read as. What is programmed into a block of `worn` is
    lost without a word.
    """

    def __init__(
        self, product: Product, blocks: Snapshot, noise: Noise, worn: frozenset[tuple[str, int]] = frozenset()
    ) -> None:
        self._worn = worn
        self._memories = {m.name: m for m in product.memories.values() if m.kind == "flash"}
        self.blocks = blocks
        self.noise = noise
        self.watch: Callable[[Operation], bool] = lambda _operation: False

    def memory(self, name: str) -> Memory:
        """Return what the product file says of a memory."""
        return self._memories[name]

    def erase(self, memory: str, at: int) -> None:
        """Erase the block that starts at `at`."""
        size = self._memories[memory].erase_block
        if at % size:
            raise FlashRuleError(f"an erase in the middle of a block: {memory}+0x{at:x}")
        key = memory, at // size
        cut = self.watch(Operation(memory, at, None))
        if not cut:
            self.blocks.pop(key, None)
            return
        before = self.blocks.get(key)
        old = before.data if before is not None else bytes([self._memories[memory].fill]) * size
        self.blocks[key] = Block(old, 0, 0, True, old)
        raise PowerCutError

    def program(self, memory: str, at: int, data: bytes) -> None:
        """Program whole units inside one page."""
        part = self._memories[memory]
        unit, page, size = part.write_unit, part.page, part.erase_block
        if at % unit or len(data) % unit or not data or at // page != (at + len(data) - 1) // page:
            raise FlashRuleError(f"no whole units of one page: {len(data)} bytes at {memory}+0x{at:x}")
        key, start = (memory, at // size), at % size
        fill = part.fill
        old = self.blocks.get(key) or Block(bytes([fill]) * size, 0, 0, False, b"")
        first, count = start // unit, len(data) // unit
        units = ((1 << count) - 1) << first
        if part.program_once and old.done & units:
            raise FlashRuleError(f"programmed twice since its erase: {memory}+0x{at:x}")
        cut = self.watch(Operation(memory, at, data))
        if key in self._worn:
            if cut:
                raise PowerCutError
            return
        written = self.noise.below(count) if cut else count
        reached = written + 1 if cut else count  # in units: those that changed, the torn one at their end
        end = start + reached * unit
        there, come = old.data[start:end], data[: end - start]
        if there.count(fill) != len(there):
            come = bytes(_programmed(was, new, fill) for was, new in zip(there, come, strict=True))
        now = b"".join((old.data[:start], come, old.data[end:]))
        done = old.done | (((1 << reached) - 1) << first)
        torn = old.torn | ((((1 << written) - 1) << first) if old.weak else 0)
        if cut:
            torn |= 1 << (first + written)
        self.blocks[key] = Block(now, done if counts_units(part) else 0, torn, old.weak, old.before)
        if cut:
            raise PowerCutError

    def program_pages(self, memory: str, at: int, data: bytes) -> None:
        """Program whole units, page by page."""
        page, position = self._memories[memory].page, 0
        while position < len(data):
            count = page - (at + position) % page
            self.program(memory, at + position, data[position : position + count])
            position += count

    def read(self, memory: str, at: int, length: int) -> bytes:
        """Read; FlashReadError where an ECC memory notices what is torn."""
        size = self._memories[memory].erase_block
        number, start = divmod(at, size)
        if start + length <= size:
            return self._read_block(memory, number, start, length)
        parts = []
        while length > 0:
            count = min(size - start, length)
            parts.append(self._read_block(memory, number, start, count))
            number, start, length = number + 1, 0, length - count
        return b"".join(parts)

    def _read_block(self, memory: str, number: int, start: int, count: int) -> bytes:
        block = self.blocks.get((memory, number))
        part = self._memories[memory]
        if block is None:
            return self._undefined(count) if part.erased is None else bytes([part.erased]) * count
        data = block.data[start : start + count] if block.firm else self._unreliable(part, block, start, count)
        return data if part.erased is not None else self._with_undefined(part, block, start, data)

    def _undefined(self, count: int) -> bytes:
        """Return what erased units of an unreadable memory read as this time."""
        return (self.noise.bytes(8) * (count // 8 + 1))[:count]

    def _with_undefined(self, part: Memory, block: Block, start: int, data: bytes) -> bytes:
        unit = part.write_unit
        first, last = start // unit, (start + len(data) - 1) // unit
        units = ((1 << (last - first + 1)) - 1) << first
        if block.weak or block.done & units == units:
            return data
        out = bytearray(data)
        for number in range(first, last + 1):
            if not block.done >> number & 1:
                low, high = max(number * unit, start), min((number + 1) * unit, start + len(data))
                out[low - start : high - start] = self._undefined(high - low)
        return bytes(out)

    def _unreliable(self, part: Memory, block: Block, start: int, count: int) -> bytes:
        """Read torn or weak units: each read may give something else."""
        out = bytearray(block.data[start : start + count])
        unit, end, below = part.write_unit, start + count, self.noise.below
        units = range(start // unit, -(-end // unit))

        def read_as(number: int, how: int) -> None:
            low, high = max(number * unit, start), min((number + 1) * unit, end)
            out[low - start : high - start] = self._read_as(part, block.data[low:high], how)

        if block.weak:
            # units nobody has programmed since read as erased, as before, or as anything; a whole read mostly alike,
            # so that a block can look erased, or look whole
            mood = below(4)
            if mood == 3 and part.program_once:
                raise FlashReadError(f"{part.name}: uncorrectable")
            for number in units:
                if not (part.program_once and block.done >> number & 1):
                    read_as(number, (mood if below(16) else below(3)) % 3)
        for number in units if block.torn else ():
            if block.torn >> number & 1:
                mood = below(4)
                if mood == 0 and part.program_once:
                    raise FlashReadError(f"{part.name}: uncorrectable")
                read_as(number, (1, 1, 0, 2)[mood])
        return bytes(out)

    def _read_as(self, part: Memory, held: bytes, how: int) -> bytes:
        """Read a unit as erased (0), as what it holds (1), or as anything between (2)."""
        noise = self.noise.octets(len(held))  # drawn in any case, so that the next unit gets the same numbers
        if how == 2:
            return bytes([_programmed(was, new, part.fill ^ 0xFF) for was, new in zip(held, noise, strict=True)])
        return held if how else bytes([part.fill]) * len(held)

    @property
    def firm(self) -> bool:
        """Whether every read of every block gives the same."""
        return all(block.firm for block in self.blocks.values())
