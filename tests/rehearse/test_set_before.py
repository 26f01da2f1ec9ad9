"""A bit flips in a settled set: the set before goes on, whole or not at all, while no counter separates the two.

The update changes every subset of the components of the small products; every single cut.
"""

from collections.abc import Callable

import pytest
from failing_storage import flipped, flips, violated
from long_runs import mainly
from stages import PRODUCTS

from imgseal.formats.install_record.record import DELIVERING, SETTLED, Record
from imgseal.rehearse import boot
from imgseal.rehearse.boot import Bootloader, Started
from imgseal.rehearse.device import Device
from imgseal.rehearse.life import Programs
from imgseal.rehearse.settle import failed, goes_on


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_every_flip(name: str) -> None:
    for case in flipped(name):
        old = case.stage.oracle.promise.old
        assert (None if old is None else old.members) == case.runs
    assert violated(flips(name)) is None


def nothing(_device: Device, _record: Record) -> None:
    """What was done before: the bootloader waits beside an image that is good."""


def by_halves(device: Device, record: Record) -> Record | None:
    """Only what has failed comes from the set before."""
    if record.phase != SETTLED or not record.other:
        return None
    broken = {
        number: member
        for number, member in record.other.items()
        if device.judge_member(device.by_number[number], record.current[number], None) is not None
    }
    mixed = {**record.current, **broken}
    return failed(record._replace(other=mixed)) if device.judge_set(mixed) is None else None


def though_unraised(device: Device, record: Record) -> Record | None:
    return goes_on(device, record._replace(unraised=False))


def in_any_phase(device: Device, record: Record) -> Record | None:
    """What is half delivered is taken for a set that ran before."""
    return goes_on(device, record._replace(phase=SETTLED) if record.phase == DELIVERING else record)


class Unrecorded(Bootloader):
    """The set before is started, and the record names the one that has failed."""

    def without_set(self, why: str) -> Started:
        record = self.journal.record
        if record is not None and goes_on(self.device, record) is not None:
            return self.start(record._replace(current=record.other), trial=False)
        return super().without_set(why)


FAULTS: dict[str, tuple[Callable[[Device, Record], Record | None], Programs, str, set[str]]] = {
    "nothing goes on": (nothing, Programs(), "two run slots", {"starts"}),
    "by halves": (by_halves, Programs(), "two cores", {"one-set", "judged"}),
    "though counters are behind": (though_unraised, Programs(), "two run slots", {"judged"}),
    "in any phase": (in_any_phase, Programs(), "two run slots", {"judged", "settles", "ends"}),
    "not recorded": (nothing, Programs(bootloader=Unrecorded), "two run slots", {"judged", "starts"}),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    fault, programs, product, breaks = FAULTS[name]
    cases = list(flips(product))
    monkeypatch.setattr(boot, "goes_on", fault)
    found = violated(iter(cases), programs)
    assert found is not None
    assert found.invariant in breaks, found
