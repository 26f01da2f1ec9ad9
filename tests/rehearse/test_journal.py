"""The journal alone, at the worst moments: what was acted upon once is never forgotten, and nothing older comes back.

The rules are those of docs/format/install-record.md, "The journal"; what torn flash reads as is common practice, no
source.
"""

import itertools

import pytest
from stages import small

from imgseal.formats.install_record.record import SETTLED, Record
from imgseal.product.model import Product
from imgseal.rehearse.contents import Contents
from imgseal.rehearse.flash import Flash, Operation, PowerCutError, Snapshot
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.noise import Noise

EMPTY = Record(SETTLED, 0, 0, 0, 0, 0, 0, 0, 0, 0, None, 0, None, False, False, (), {}, {})
PRODUCT = small("two run slots")


class Wear:
    """One device whose programs do nothing but count in their record; `acted` is the highest value relied upon."""

    def __init__(self, product: Product, seed: str) -> None:
        self.product = product
        self.blocks: Snapshot = Contents()
        self.noise = Noise(seed)
        self.acted = 0
        self.tried = 0

    def program(self, commits: int, cut: int | None) -> int:
        """Open the journal and count `commits` times; return the operations done. A cut ends it."""
        flash = Flash(self.product, self.blocks, self.noise)
        done = 0

        def watch(_operation: Operation) -> bool:
            nonlocal done
            done += 1
            return done - 1 == cut

        flash.watch = watch
        journal = Journal(flash, self.product)
        try:
            record = journal.open()
            value = 0 if record is None else record.sequence
            assert self.acted <= value <= self.tried, f"{value} read, {self.acted} was acted upon"
            self.acted = value
            for _ in range(commits):
                self.tried = max(self.tried, value + 1)
                journal.commit((record or EMPTY)._replace(sequence=value + 1))
                record = journal.record
                value += 1
                self.acted = value
        except PowerCutError:
            pass
        return done


def begun(seed: str) -> Wear:
    wear = Wear(PRODUCT, seed)
    wear.program(3, None)
    assert wear.acted == 3
    return wear


@pytest.mark.parametrize("seed", range(12))
def test_all_pairs_of_cuts_and_then_some(seed: int) -> None:
    """Two commits cut anywhere, the resumption cut anywhere, a third program cut early; then two undisturbed ones."""
    length = begun("x").program(2, None)
    for first, second in itertools.product(range(length), range(length)):
        wear = begun(f"{seed} {first} {second}")
        wear.program(2, first)
        wear.program(2, second)
        wear.program(1, wear.noise.below(12))
        wear.program(0, None)
        wear.program(1, None)
        wear.program(0, None)
        assert wear.acted == wear.tried


@pytest.mark.parametrize("seed", range(4))
def test_many_cuts_in_a_row(seed: int) -> None:
    """Power that fails again and again within the first operations after each reset."""
    for number in range(400):
        wear = begun(f"row {seed} {number}")
        for _ in range(12):
            wear.program(1, wear.noise.below(14))
        wear.program(1, None)
        wear.program(0, None)
        assert wear.acted == wear.tried


def test_one_record_is_left_after_each_commit() -> None:
    wear = begun("one")
    records = [key for key, block in wear.blocks.items() if block.data.startswith(b"\xd5records")]
    assert len(records) == 1
    wear.program(1, None)
    assert len(wear.blocks) == 1


def test_opening_a_whole_journal_writes_nothing() -> None:
    assert begun("quiet").program(0, None) == 0


def test_nothing_readable_is_no_record() -> None:
    wear = Wear(PRODUCT, "none")
    assert wear.program(0, None) == 0
    assert wear.acted == 0
