"""Counter storage that is full or worn: the good set starts and settles, and the record says that counters are behind.

Every set of components of the small products, every single cut.
"""

import itertools
from collections.abc import Callable

import pytest
from burnt_counters import burnt
from failing_storage import after, behind, full_counters, two_steps, violated
from long_runs import mainly
from stages import PRODUCTS, files, pair, small
from workshop import make

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import read, write
from imgseal.formats.install_record.record import SETTLING, Record
from imgseal.product.model import Component
from imgseal.rehearse import boot, install
from imgseal.rehearse import settle as settling
from imgseal.rehearse.boot import Bootloader
from imgseal.rehearse.device import Device
from imgseal.rehearse.explore import Violation
from imgseal.rehearse.journal import Journal, NoPlaceError
from imgseal.rehearse.life import Programs
from imgseal.rehearse.settle import settle
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView


def anything(name: str, programs: Programs | None = None) -> Violation | None:
    return violated(itertools.chain(full_counters(name), behind(name)), programs)


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_the_update_settles_and_the_next_one_is_taken(name: str) -> None:
    assert anything(name) is None


def test_what_is_below_the_running_set_is_refused() -> None:
    """Counters 3 in storage, 5 in the set that runs: 4 is too low, and 9 is still out of reach, for package and image."""
    update = pair("two run slots")
    of, state = update.product, update.state
    package = ByteView(two_steps("two run slots").package)
    held = set_up(Context(of, update.first.trust, state, update.contents), package, full={1: 3})
    now, contents = after(of, held, state, package)
    assert (now.unraised, now.counters, now.sequence) == (True, {1: 3}, 6)
    assert read(write(now), name="x") == now
    for counter, code in (
        ("3", "rollback.counter-too-low"),
        ("4", "rollback.counter-too-low"),
        ("5", None),
        ("9", None),
    ):
        newer = small("two run slots", release__version="1.2.0", release__sequence="7", component__app__counter=counter)
        shop = make(newer, files=files(of, "three"))
        for data in (shop.package, shop.images["app-b"]):
            verdict = judge(ByteView(data), "x", Context(of, shop.trust, now, contents))
            assert {f.code for f in verdict.findings} == ({code} if code else set())
            sound = judge(ByteView(data), "x", Context(of, shop.trust, now._replace(unraised=False), contents))
            assert sound.accepted
    # how far it can rise is a question to the storage
    near = of._replace(components={"app": of.components["app"]._replace(counter_jump=2)})
    for counter, code in (("5", None), ("6", "rollback.counter-out-of-reach")):
        newer = small("two run slots", release__version="1.2.0", release__sequence="7", component__app__counter=counter)
        shop = make(newer, files=files(of, "three"))
        verdict = judge(ByteView(shop.package), "x", Context(near, shop.trust, now, contents))
        assert {f.code for f in verdict.findings} == ({code} if code else set())


def resets(device: Device, journal: Journal, record: Record) -> Record:
    """What was done before: a set whose counters cannot be raised does not settle, and does not start."""
    after = settle(device, journal, record)
    if after.unraised:
        raise NoPlaceError
    return after


def says_nothing(device: Device, journal: Journal, record: Record) -> Record:
    """The record says that all counters are raised."""
    commit = journal.commit
    journal.commit = lambda record: commit(record._replace(unraised=False))  # type: ignore[method-assign]
    try:
        return settle(device, journal, record)
    finally:
        journal.commit = commit  # type: ignore[method-assign]


def never_again(device: Device, journal: Journal, record: Record) -> Record:
    """Counters that were behind once are not tried again."""
    return settle(device, journal, record) if record.phase == SETTLING else record


def believes(device: Device, component: Component, value: int) -> int:
    """The storage is not read back."""
    settling_raised(device, component, value)
    return value


settling_raised = settling.raised


def _settles(fault: Callable[[Device, Journal, Record], Record]) -> Callable[[pytest.MonkeyPatch], None]:
    def plant(patch: pytest.MonkeyPatch) -> None:
        patch.setattr(boot, "settle", fault)
        patch.setattr(install, "settle", fault)

    return plant


class ForgetsWhenGoingBack(Bootloader):
    def go_back(self, record: Record) -> Record | None:
        return super().go_back(record._replace(unraised=False))


FAULTS: dict[str, tuple[Programs, Callable[[pytest.MonkeyPatch], None]]] = {
    "resets for ever": (Programs(), _settles(resets)),
    "not said": (Programs(), _settles(says_nothing)),
    "not tried again": (Programs(), _settles(never_again)),
    "not read back": (Programs(), lambda patch: patch.setattr(settling, "raised", believes)),
    "forgotten on the way back": (Programs(bootloader=ForgetsWhenGoingBack), lambda _patch: None),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    cases = list(itertools.chain(full_counters("two cores"), behind("two cores")))
    programs, plant = FAULTS[name]
    plant(monkeypatch)
    found = violated(iter(cases), programs)
    assert found is not None
    assert found.invariant in ("settles", "starts"), found


@pytest.mark.parametrize("name", PRODUCTS)
def test_a_record_in_settling_raises_nothing_that_nobody_signed(name: str) -> None:
    assert burnt(name, Programs()) is None
