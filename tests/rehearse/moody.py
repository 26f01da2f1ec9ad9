"""Flash whose unreliable reads are what an adversary says, the same until the next reset.

What a mood may say is what imgseal/rehearse/flash.py allows: a torn unit and a block whose erase was cut short read as
they were meant to (held), as erased, as anything (wrong), or as an error.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple

from imgseal.formats.install_record.room import copy_layout
from imgseal.product.model import Product
from imgseal.rehearse.contents import Contents
from imgseal.rehearse.flash import Flash, Operation, PowerCutError, Snapshot
from imgseal.rehearse.noise import BETWEEN, ERASED, ERROR, HELD, PART, Mood, Noise

MOODS = (HELD, ERASED, BETWEEN, ERROR)


class Moods(Noise):
    """One mood a block until the next reset, by its number, else held; tears every operation in its last unit.

    A number is a mood as well: so many copies of a record are held, and what lies behind is erased.
    """

    def __init__(self, moods: Mapping[int, str | int], copy: int) -> None:
        super().__init__("moods")
        self._by_number, self._copy = moods, copy

    def mood(self, key: object, size: int, *, faults: bool) -> Mood:
        assert isinstance(key, tuple)
        how = self._by_number.get(key[1], HELD)
        if isinstance(how, int):
            return Mood(PART, PART, how * self._copy, b"")
        if how == ERROR and not faults:
            how = BETWEEN
        return Mood(how, how, 0, b"moods")

    def below(self, limit: int) -> int:
        return limit - 1


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
        self.copy = copy_layout(len(product.numbers), product.memories[slot.memory].write_unit)[1]
        self.blocks: Snapshot = Contents()

    def live(self, life: Cut, program: Callable[[Flash], None]) -> bool:
        """Run a program until it ends or is cut; say whether it was."""
        moods = {self.first + place: mood for place, mood in life.moods.items()}
        flash = Flash(self.product, self.blocks, Moods(moods, self.copy))
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
