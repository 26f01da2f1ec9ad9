"""Simulated flash: what it may do after a power cut is what it does here. Common practice, no source.

Erasing sets a block to 0xFF, or to 0x00 where the memory says so. Programming changes bits to the other value in whole
write units, once per erase where the memory says so. An operation is one erase, or one program call of at most a page;
a cut tears it. A torn unit reads as old, new or anything between, from read to read or from reset to reset, or as an
error on ECC flash. A block whose erase was cut short may read as erased, as before, or as anything, and whatever is
programmed into it before it is erased again is unreliable too. Where a memory is unreadable erased, units that nobody
has programmed read as anything. A worn block erases, and takes no programming without saying so.
"""

from collections.abc import Callable, Iterator, MutableMapping, Sequence
from contextlib import contextmanager
from functools import cache

from imgseal.product.flash_behaviours import PAGE, PARALLEL, SECOND
from imgseal.product.model import Memory, Product
from imgseal.records import NamedTuple
from imgseal.rehearse import unreliable
from imgseal.rehearse.contents import Block, Contents, Key, in_range
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.trace import Trace
from imgseal.rehearse.unreliable import FlashReadError

__all__ = ["Flash", "FlashReadError", "FlashRuleError", "Operation", "PowerCutError", "Snapshot", "counts_units"]


class PowerCutError(Exception):
    """The battery has failed inside an operation; the device starts again from nothing but its flash."""


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
    return memory.once or memory.erased is None


@cache
def _blank(part: Memory) -> tuple[bytes, ...]:
    """Return the pages of an erased block."""
    return (bytes([part.fill]) * part.page,) * (part.erase_block // part.page)


def _partly_erased(part: Memory, block: Block, erased: Sequence[int], torn: int | None) -> Block:
    """Return a block of which some pieces have been erased, and the erase of one was cut short."""
    size = part.erase_block // part.pieces
    every = (1 << size // part.write_unit) - 1
    data, done, loose = bytearray(block.data), block.done, block.torn
    for piece in (*erased, *(() if torn is None else (torn,))):
        units = every << piece * size // part.write_unit
        done, loose = done & ~units, loose & ~units
        if piece == torn:
            loose |= units
        else:
            data[piece * size : (piece + 1) * size] = bytes([part.fill]) * size
    pages = tuple(bytes(data[at : at + part.page]) for at in range(0, part.erase_block, part.page))
    return Block(pages, done, loose, block.weak)


Snapshot = MutableMapping[Key, Block]
"""Memory and block number -> block; a block that is not there is erased."""


class Flash:
    """All flash memories of a device.

    `watch` is called before each operation takes effect; when it returns True, the operation is torn and
    PowerCutError raised. `noise` decides what unreliable units read as. What is programmed into a block of `worn` is
    lost without a word. `trace` notes what was read. Who makes one switches the power on.
    """

    def __init__(self, product: Product, blocks: Snapshot, noise: Noise, worn: frozenset[Key] = frozenset()) -> None:
        self._worn = worn
        self._memories = {m.name: m for m in product.memories.values() if m.kind == "flash"}
        self.blocks = blocks if isinstance(blocks, Contents) else Contents(blocks)
        self.noise = noise
        noise.reset()
        self.trace = Trace()
        self.watch: Callable[[Operation], bool] = lambda _operation: False

    def memory(self, name: str) -> Memory:
        """Return what the product file says of a memory."""
        return self._memories[name]

    def erase(self, memory: str, at: int) -> None:
        """Erase the block that starts at `at`."""
        part = self._memories[memory]
        size = part.erase_block
        if at % size:
            raise FlashRuleError(f"an erase in the middle of a block: {memory}+0x{at:x}")
        key = memory, at // size
        cut = self.watch(Operation(memory, at, None))
        pieces = self.pieces_erased(key)
        self.trace.replace(key)
        if not cut and len(pieces) == part.pieces:
            self.blocks.put(key, None)
            return
        before = self.blocks.get(key) or Block(_blank(part), 0, 0, False)
        if part.pieces == 1:
            self.blocks.put(key, Block(before.pages(part.page), 0, 0, True))
        else:
            reached = self.noise.below(len(pieces)) if cut else len(pieces)
            self.blocks.put(key, _partly_erased(part, before, pieces[:reached], pieces[reached] if cut else None))
        if cut:
            raise PowerCutError

    def pieces_erased(self, key: Key) -> tuple[int, ...]:
        """Return the pieces of a block that its driver erases, in their order: all of them."""
        return tuple(range(self._memories[key[0]].pieces))

    def program(self, memory: str, at: int, data: bytes) -> None:
        """Program whole units inside one page."""
        part = self._memories[memory]
        unit, page, size = part.write_unit, part.page, part.erase_block
        if at % unit or len(data) % unit or not data or at // page != (at + len(data) - 1) // page:
            raise FlashRuleError(f"no whole units of one page: {len(data)} bytes at {memory}+0x{at:x}")
        key, start = (memory, at // size), at % size
        fill = part.fill
        old = self.blocks.get(key) or Block(_blank(part), 0, 0, False)
        self.trace.read(key, start, len(data))
        first, count = start // unit, len(data) // unit
        if part.once and old.done >> first & ((1 << count) - 1):
            raise FlashRuleError(f"programmed twice since its erase: {memory}+0x{at:x}")
        if SECOND in part.behaves and (old.weak or old.torn >> first & ((1 << count) - 1)):
            raise FlashRuleError(f"programmed over an erase that was cut short: {memory}+0x{at:x}")
        cut = self.watch(Operation(memory, at, data))
        if key in self._worn:
            if cut:
                raise PowerCutError
            return
        written = self.noise.below(count) if cut else count
        alike = PARALLEL in part.behaves
        reached = written + 1 if cut and not alike else count  # in units: those that changed, the torn one at their end
        number, offset = divmod(start, page)
        pages = old.pages(page)
        was, end = pages[number], offset + reached * unit
        there, come = was[offset:end], data[: reached * unit]
        if there.count(fill) != len(there):
            come = unreliable.programmed(there, come, fill)
        now = come if len(come) == page else b"".join((was[:offset], come, was[end:]))
        done = old.done | ((1 << reached) - 1) << first if counts_units(part) else 0
        torn = old.torn | ((1 << written) - 1) << first if old.weak else old.torn
        if cut:
            torn |= ((1 << count) - 1) << first if alike else 1 << (first + written)
        if cut and PAGE in part.behaves:
            torn |= ((1 << page // unit) - 1) << number * (page // unit)
        self.blocks.put(key, Block((*pages[:number], now, *pages[number + 1 :]), done, torn, old.weak))
        if cut:
            raise PowerCutError

    def again(self, operation: Operation) -> None:
        """Do once more what `watch` was told."""
        if operation.data is None:
            self.erase(operation.memory, operation.at)
        else:
            self.program(operation.memory, operation.at, operation.data)

    def program_pages(self, memory: str, at: int, data: bytes | memoryview) -> None:
        """Program whole units, page by page."""
        page, position = self._memories[memory].page, 0
        while position < len(data):
            count = page - (at + position) % page
            self.program(memory, at + position, bytes(data[position : position + count]))
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
        key = memory, number
        self.trace.read(key, start, count)
        block = self.blocks.get(key)
        part = self._memories[memory]
        if block is None:
            return self._undefined(count) if part.erased is None else bytes([part.erased]) * count
        noise = self.noise
        data = block.read(start, count) if block.firm else unreliable.read(noise, key, part, block, start, count)
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

    def sum_of(self, memory: str, at: int, length: int) -> int | None:
        """Return the number of what the blocks of a range hold, of which `length` bytes count as read.

        None where one of them does not read firmly; then nothing counts as read.
        """
        size = self._memories[memory].erase_block
        part = memory, at // size, (at + length - 1) // size + 1
        if any(in_range(key, part) for key in self.blocks.loose):
            return None
        self.note(memory, at, length)
        return self.blocks.sum_of(part)

    def is_defined(self, memory: str, at: int, length: int) -> bool:
        """Say whether no unit in the blocks of a range reads as anything because nobody has programmed it."""
        part = self._memories[memory]
        if part.erased is not None:
            return True
        every = (1 << part.erase_block // part.write_unit) - 1
        numbers = range(at // part.erase_block, (at + length - 1) // part.erase_block + 1)
        blocks = [self.blocks.get((memory, number)) for number in numbers]
        return all(block is not None and block.done == every for block in blocks)

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Let what is read within leave no trace, and draw no numbers from the noise."""
        trace, noise = self.trace, self.noise
        self.trace, self.noise = Trace(), Noise("aside")
        try:
            yield
        finally:
            self.trace, self.noise = trace, noise

    def note(self, memory: str, at: int, length: int) -> None:
        """Count a range as read."""
        size = self._memories[memory].erase_block
        first, last = at // size, (at + length - 1) // size
        if first == last:
            self.trace.read((memory, first), at % size, length)
        else:
            self.trace.read_all((memory, first, last + 1), size)

    def peek(self, memory: str, at: int, length: int) -> bytes | None:
        """Return what lies there, for who watches; None where that is open because it is erased."""
        part = self._memories[memory]
        size = part.erase_block
        self.note(memory, at, length)
        pieces = []
        while length > 0:
            number, start = divmod(at, size)
            count = min(size - start, length)
            block = self.blocks.get((memory, number))
            if block is None and part.erased is None:
                return None
            pieces.append(bytes([part.fill]) * count if block is None else block.read(start, count))
            at, length = at + count, length - count
        return b"".join(pieces)

    @property
    def firm(self) -> bool:
        """Whether every read of every block gives the same."""
        return not self.blocks.loose
