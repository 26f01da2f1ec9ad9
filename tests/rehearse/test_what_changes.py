"""Packages that change only a part of what runs, or nothing of it, are rehearsed with every single cut and hold."""

import itertools
from collections.abc import Callable

import pytest
from changes import (
    AGAIN,
    DEMO,
    LEFT_OUT,
    RESIGNED,
    SETTLED,
    UNPROVEN,
    Change,
    before,
    changes,
    components,
    played,
    starts,
)
from long_runs import long, mainly
from stages import PRODUCTS

from imgseal.formats.install_record.record import SETTLED as IS_SETTLED
from imgseal.formats.install_record.record import Record
from imgseal.rehearse.boot import Bootloader, Started
from imgseal.rehearse.install import Installer
from imgseal.rehearse.life import Programs


def hold(name: str, some: list[tuple[str, Change]], record_property: Callable[[str, object], None]) -> None:
    of = before(name)[0].product
    lives = 0
    for start, change in some:
        on, result = played(change, start)
        assert on.verdict.accepted, (start, str(change), on.verdict.findings)
        assert result.violation is None, (start, str(change), result.violation)
        quiet = not change.newer and start in (SETTLED, UNPROVEN)
        cut = result.tally.operations
        assert bool(cut["failing-kept"]) != quiet, (start, str(change))
        # what is there already is left alone, whatever its signature, and needs no way back
        back = [of.components[c].returns or of.components[c].recovery for c in change.changed]
        if start == SETTLED:
            assert result.way_back == all(back), str(change)
            assert result.changes == any(not of.components[c].recovery for c in change.changed), str(change)
        lives += result.tally.singles
    record_property("lives after one cut", lives)


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_every_subset_of_a_small_product(name: str, record_property: Callable[[str, object], None]) -> None:
    hold(name, list(itertools.product(starts(name), changes(name))), record_property)


def test_the_demo(record_property: Callable[[str, object], None]) -> None:
    """What leaves the running set as it is, and the recovery image, the data, everything; the rest below."""
    some = [change for change in changes(DEMO) if change.changed in ((), ("recovery",), ("phrases",), components(DEMO))]
    assert {(c.changed, c.rest) for c in some} >= {((), AGAIN), ((), RESIGNED), (("recovery",), LEFT_OUT)}
    hold(DEMO, [(SETTLED, change) for change in some], record_property)


@long
@pytest.mark.parametrize("start", [SETTLED, UNPROVEN, "motor", "radio", "phrases"])
def test_every_subset_of_the_demo(start: str, record_property: Callable[[str, object], None]) -> None:
    assert start in starts(DEMO)
    hold(DEMO, [(start, change) for change in changes(DEMO)], record_property)


class SequenceAtDelivery(Installer):
    """The sequence number rises before anything has been proven."""

    def begin(self, record: Record, sequence: int, digest: bytes) -> Record:
        early = record._replace(sequence=sequence, manifest_digest=digest)
        return super().begin(early, sequence, digest)


def settled_at_once(record: Record) -> Record:
    return record._replace(
        phase=IS_SETTLED, sequence=record.target_sequence, manifest_digest=record.target_digest, target_sequence=0,
        target_digest=None, trial=False, other={}, kept=0,
    )  # fmt: skip


class SettlesWithoutHealth(Bootloader):
    """A release whose images are there already is settled without a trial."""

    def start_trial(self, record: Record, *, power_on: bool) -> Started:
        if record.current != record.other:
            return super().start_trial(record, power_on=power_on)
        return self.start(self.commit(settled_at_once(record)), trial=False)


class SettlesUnproven(Bootloader):
    """Without a way back there is nothing to try: a set is settled when it first starts."""

    def start(self, record: Record, *, trial: bool) -> Started:
        if trial and not record.trial:
            self.commit(settled_at_once(record))
        return super().start(record, trial=trial)


class ForgetsTheRecoveryImage(Installer):
    def recovery_to_write(self, *_arguments: object, **_more: object) -> None:
        return None


FAULTS = {
    "sequence raised at delivery": (Programs(installer=SequenceAtDelivery), "two run slots", (), {"ends", "settles"}),
    "settled without health": (Programs(bootloader=SettlesWithoutHealth), "two run slots", (), {"settles"}),
    "unproven set settled": (Programs(bootloader=SettlesUnproven), "staged, no way back", ("radio",), {"settles"}),
    "recovery image left out": (Programs(installer=ForgetsTheRecoveryImage), "recovery image", ("rescue",), {"ends"}),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found_where_the_set_stays(name: str) -> None:
    programs, of, changed, breaks = FAULTS[name]
    found = played(Change(of, changed, AGAIN), SETTLED, programs)[1].violation
    assert found is not None
    assert found.invariant in breaks, found
