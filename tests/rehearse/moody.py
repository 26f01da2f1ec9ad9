"""Flash whose unreliable reads are what an adversary says, the same until the next reset.

What a mood may say is what imgseal/rehearse/flash.py allows: a torn unit and a block whose erase was cut short read as
they were meant to (held), as erased, as anything (wrong), or as an error.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple

from imgseal.formats.install_record.room import copy_layout
from imgseal.product.model import Memory, Product
from imgseal.rehearse.contents import Block, Contents
from imgseal.rehearse.flash import Flash, FlashReadError, Operation, PowerCutError, Snapshot
from imgseal.rehearse.noise import Noise

HELD, ERASED, WRONG, ERROR = "held", "erased", "wrong", "error"
MOODS = (HELD, ERASED, WRONG, ERROR)


class Torn(Noise):
    """Tears every operation in its last unit."""

    def below(self, limit: int) -> int:
        return limit - 1


class Moody(Flash):
    """Flash in one mood a block until the next reset; `moods` is by block of the internal memory, else held.

    A number is a mood as well: so many copies of a record are held, and what lies behind is erased.
    """

    def __init__(self, product: Product, blocks: Snapshot, moods: Mapping[int, str | int]) -> None:
        super().__init__(product, blocks, Torn("torn"))
        self.moods = moods
        self.copy = copy_layout(len(product.numbers), product.memories["internal"].write_unit)[1]

    def _unreliable(self, part: Memory, block: Block, start: int, count: int) -> bytes:
        number = next(key[1] for key in self.blocks.loose if self.blocks.get(key) is block)
        mood, out = self.moods.get(number, HELD), bytearray(block.read(start, count))
        if mood == HELD:
            return bytes(out)
        for at in range(count):
            if block.weak or block.torn >> (start + at) // part.write_unit & 1:
                if mood == ERROR and part.program_once:
                    raise FlashReadError(f"{part.name}: uncorrectable")
                if isinstance(mood, int):
                    out[at] = out[at] if (start + at) // self.copy < mood else part.fill
                else:
                    out[at] = part.fill if mood == ERASED else out[at] | 0x5A  # between what it was and erased
        return bytes(out)


class Cut(NamedTuple):
    """A life that the power cuts: moods by place, and the operation that is torn; None: it ends by itself."""

    moods: Mapping[int, str | int]
    kind: str | None = None
    place: int = 0
    number: int = 0
    """Which operation of that kind in that place, counted from 0."""


class Slot:
    """A records slot on moody flash."""

    def __init__(self, product: Product) -> None:
        slot = product.slot_holding("records")
        assert slot is not None
        self.product = product
        self.block = product.memories[slot.memory].erase_block
        self.first = slot.at // self.block
        self.places = slot.size // self.block
        self.blocks: Snapshot = Contents()

    def live(self, life: Cut, program: Callable[[Flash], None]) -> bool:
        """Run a program until it ends or is cut; say whether it was."""
        flash = Moody(self.product, self.blocks, {self.first + place: mood for place, mood in life.moods.items()})
        seen = 0

        def watch(operation: Operation) -> bool:
            nonlocal seen
            kind = "erase" if operation.data is None else "program"
            if (kind, operation.at // self.block - self.first) != (life.kind, life.place):
                return False
            seen += 1
            return seen - 1 == life.number

        flash.watch = watch
        try:
            program(flash)
        except PowerCutError:
            return True
        return False
