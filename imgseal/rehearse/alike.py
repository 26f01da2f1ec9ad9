"""What the device's programs can tell apart of the records slot: moments that differ in nothing else are one state.

docs/format/flash-model.md, "States that are one", has the argument for each of these rules.
"""

from imgseal.formats.install_record.record import Record, encode
from imgseal.formats.install_record.room import COPIES
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.rehearse.adversary import BLOCK, ERASED, ERROR, HELD, Thing
from imgseal.rehearse.contents import Block, Contents, Key, in_range
from imgseal.rehearse.flash import Flash, Operation
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.noise import Noise


class _Copy(NamedTuple):
    """A record that a copy holds: its content by number, and what rises without end."""

    content: int
    generation: int
    base: int
    copied: int
    torn: bool


class _Place(NamedTuple):
    """What a place holds, as if everything in it read as it is."""

    weak: bool
    copies: tuple[_Copy | None, ...]


_BLANK = _Place(weak=False, copies=())


class Alike:
    """Tells what moments have in common. `exact` merges nothing: blocks count with all their bytes.

    `kept` takes the journal for what keeps a record that it was given: of one that is alone only the content counts.
    """

    def __init__(self, product: Product, *, exact: bool = False, kept: bool = False) -> None:
        slot = product.slot_holding("records")
        assert slot is not None
        self._product = product
        self._memory = product.memories[slot.memory]
        size = self._memory.erase_block
        self.part = slot.memory, slot.at // size, (slot.at + slot.size) // size
        self._journal = Journal(Flash(product, Contents(), Noise("")), product)
        self._blocks = self._journal.place_blocks
        self.exact = exact
        self.kept = kept
        self._contents: dict[bytes, int] = {}
        self._places: dict[object, _Place] = {}
        self._journals: dict[object, int] = {}
        self._numbers: dict[object, int] = {}
        self._records: list[Record] = []
        self._acted: dict[int, Record] = {}

    def journal(self, blocks: Contents, acted: Record | None = None) -> int:
        """Return the number of what the records slot shows, and of the record that a program acts upon in its RAM."""
        held = self._held(blocks)
        ram = None if acted is None else (self._content(acted), acted.generation, acted.base, acted.copied)
        if self.kept:
            ram = ram and (ram[0], 0, 0, 0)
        digests = (*[block and block.digest for block in held], ram)
        known = self._journals.get(digests)
        if known is None:
            shown = digests if self.exact else self._what_shows(held, ram)
            if self.kept:
                shown = self._alone(held), ram
            known = self._journals[digests] = self._numbers.setdefault(shown, len(self._numbers))
            content = ram[0] if ram is not None else self._alone(held)
            if content is not None:
                self._acted.setdefault(known, self._records[content])
        return known

    def record(self, journal: int) -> Record | None:
        """Return the record that a number stands for: the one acted upon, or the only one that the slot holds."""
        return self._acted.get(journal)

    def is_settled(self, blocks: Contents) -> bool:
        """Say whether the records slot holds one record, whole and for good, and nothing else."""
        return self._alone(self._held(blocks)) is not None

    def _held(self, blocks: Contents) -> list[Block | None]:
        memory, first, end = self.part
        return [blocks.get((memory, number)) for number in range(first, end)]

    def _pieces(self, held: list[Block | None]) -> list[tuple[Block | None, ...]]:
        """Return the blocks of the slot by place."""
        count = self._blocks
        return [tuple(held[at : at + count]) for at in range(0, len(held) - count + 1, count)]

    def _alone(self, held: list[Block | None]) -> int | None:
        """Return the number of the record that the slot holds, for good and beside nothing; None for anything else."""
        there = [piece for piece in self._pieces(held) if any(piece)]
        if len(there) != 1 or not all(block is None or block.firm for block in there[0]):
            return None
        copies = self._place(there[0]).copies
        whole = len(copies) == COPIES and copies[0] is not None and all(copy == copies[0] for copy in copies)
        return copies[0].content if whole and copies[0] is not None else None

    def _what_shows(self, held: list[Block | None], ram: tuple[int, int, int, int] | None) -> object:
        places = [self._place(piece) for piece in self._pieces(held)]
        found = [copy for place in places for copy in place.copies if copy is not None]
        if ram is not None:
            found.append(_Copy(*ram, torn=False))
        ranks = _ranks({n for copy in found for n in (copy.generation, copy.base)})
        copied: dict[int, set[int]] = {}
        for copy in found:
            copied.setdefault(copy.generation, {0}).add(copy.copied)
        later = {generation: _ranks(numbers) for generation, numbers in copied.items()}

        def ranked(copy: _Copy | None) -> object:
            if copy is None:
                return None
            generation = copy.generation
            return copy.content, ranks[generation], ranks[copy.base], later[generation][copy.copied], copy.torn

        shown = tuple([(place.weak, *map(ranked, place.copies)) if place.copies else None for place in places])
        return shown, None if ram is None else ranked(found[-1])

    def choices(self, thing: Thing, answers: tuple[str, ...], block: Block) -> tuple[str, ...]:
        """Leave the answers that can be told apart: a copy that never was a record is none, however it reads."""
        memory, first, end = self.part
        if self.exact or self._blocks > 1 or thing.memory != memory or not first <= thing.number < end:
            return answers
        place = self._place((block,))
        if thing.unit == BLOCK:
            return tuple(answer for answer in answers if answer != ERROR) if place.copies else (HELD,)
        number = thing.unit * self._memory.write_unit // self._journal.copy_bytes
        return (HELD, ERASED) if number < len(place.copies) and place.copies[number] is not None else (HELD,)

    def tears(self, operation: Operation) -> bool:
        """Say whether it is enough to tear a program call in its last unit: a copy without its check is no record."""
        return not self.exact and self.is_record(operation)

    def is_record(self, operation: Operation) -> bool:
        """Say whether an operation changes the records slot."""
        return in_range(self._key(operation), self.part)

    def _key(self, operation: Operation) -> Key:
        return operation.memory, operation.at // self._product.memories[operation.memory].erase_block

    def _content(self, record: Record) -> int:
        key = record._replace(generation=0, base=0, copied=0)
        data = encode(key, self._product.numbers)
        number = self._contents.setdefault(data, len(self._contents))
        if number == len(self._records):
            self._records.append(key)
        return number

    def _place(self, held: tuple[Block | None, ...]) -> _Place:
        key = tuple([block and block.digest for block in held])
        known = self._places.get(key)
        if known is None:
            known = self._places[key] = self._read(held)
        return known

    def _read(self, held: tuple[Block | None, ...]) -> _Place:
        memory, first, _ = self.part
        there = {(memory, first + at): block for at, block in enumerate(held) if block is not None}
        plain = {key: Block(block.data, block.done, 0, weak=False) for key, block in there.items()}
        records = Journal(Flash(self._product, Contents(plain), Noise("")), self._product).copies(0)
        if not any(records):
            return _BLANK
        unit, size = self._memory.write_unit, self._journal.copy_bytes
        per_block = self._memory.erase_block // unit
        torn = sum(block.torn << at * per_block for at, block in enumerate(held) if block is not None)
        every = (1 << size // unit) - 1
        copies = [
            record and _Copy(
                self._content(record), record.generation, record.base, record.copied,
                torn=bool(torn >> number * size // unit & every),
            )
            for number, record in enumerate(records)
        ]  # fmt: skip
        return _Place(any(block.weak for block in there.values()), tuple(copies))


def _ranks(numbers: set[int]) -> dict[int, int]:
    """Number what only its order counts of; whether one follows another at once is kept."""
    out: dict[int, int] = {}
    rank, before = 0, None
    for number in sorted(numbers):
        rank += 0 if before is None else min(number - before, 2)
        out[number] = rank
        before = number
    return out
