"""Blocks that take no programming any more, without saying so: a record is never lost to one.

Each of the small products is updated with each place of its records slot worn, and cut at every operation.
"""

import copy

import pytest
from failing_storage import one_place_worn, violated, worn_places
from long_runs import mainly
from stages import PRODUCTS, pair

from imgseal.formats.install_record.record import Record
from imgseal.rehearse.journal import Journal, NoPlaceError
from imgseal.rehearse.life import Programs
from imgseal.rehearse.play import rehearse


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_one_place_takes_nothing(name: str) -> None:
    assert violated(one_place_worn(name), pairs=300) is None


def test_no_other_place_takes_anything() -> None:
    """The set goes on running, and no update begins: only the record that stands is read, and it stays."""
    update = pair("two run slots")
    oracle = copy.copy(update.stage.oracle)
    oracle.promise = oracle.promise._replace(new=None)  # nothing of the package is to be seen
    facts = update.stage.facts._replace(worn=worn_places(update.product, 1, 2))
    stage = update.stage._replace(facts=facts, oracle=oracle)
    assert rehearse(stage, update.package, pairs=0, seed="1").violation is None


class TrustsWhatItWrote(Journal):
    """The old record is erased without a look at the new one."""

    def _holds(self, place: int, copy: int, data: bytes) -> bool:
        return True


class TriesOnePlace(Journal):
    """The place that did not take a record is tried for ever."""

    def _write(self, place: int, record: Record) -> bool:
        if not super()._write(place, record):
            raise NoPlaceError
        return True


class CopiesUnseen(Journal):
    """New records are read back, copies of old ones are not."""

    def _write(self, place: int, record: Record) -> bool:
        return super()._write(place, record) or bool(record.copied)


class KeepsWhatWasTorn(Journal):
    """A torn record that no place takes a copy of stays, and stands in the way for ever."""

    def _erase(self, place: int) -> None:
        if place != self._place:
            super()._erase(place)


@pytest.mark.parametrize("journal", [TrustsWhatItWrote, TriesOnePlace, CopiesUnseen, KeepsWhatWasTorn])
def test_a_fault_is_found(journal: type[Journal]) -> None:
    assert violated(one_place_worn("staged outside, kept"), Programs(journal=journal), pairs=300) is not None
