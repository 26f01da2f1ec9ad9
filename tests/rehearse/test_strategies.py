"""Every way of installing, with the power cut at every operation and again at every operation of the resumption.

The invariants are those of imgseal/rehearse/oracle.py; the rules of flash are common practice, no source.
"""

from collections.abc import Callable

import pytest
from demo_update import demo_update
from long_runs import long, mainly
from stages import ERASED, PRODUCTS, erased_as, on_units, pair, pair_of

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.rehearse.explore import Tally
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView


def note(tally: Tally, record_property: Callable[[str, object], None]) -> None:
    """Let the summary of the test run say how many cuts were tried."""
    record_property("lives after one cut", tally.singles)
    record_property("lives after two", tally.pairs)


UNITS = [pytest.param(1 << n, marks=() if n in (0, 5, 6, 8) else long) for n in range(9)]
WAY_BACK = {name: name not in ("staged, no way back", "data in the NOR") for name in PRODUCTS}


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_all_pairs_of_cuts(name: str, record_property: Callable[[str, object], None]) -> None:
    update = pair(name)
    played = rehearse(update.stage, update.package, pairs=None, seed="1")
    assert played.violation is None, played.violation
    tally = played.tally
    note(tally, record_property)
    assert played.way_back == WAY_BACK[name]
    assert list(tally.operations) == ["healthy-kept", "failing-kept"]
    assert all(40 < count <= 200 for count in tally.operations.values())
    assert tally.singles == 2 * sum(tally.operations.values())  # with the package kept, and lost
    assert tally.pairs > tally.singles


@pytest.mark.parametrize(
    ("name", "erased"),
    [
        pytest.param(name, erased, marks=(long,) if (name, erased) == ("data in the NOR", '"unreadable"') else ())
        for name in PRODUCTS
        for erased in ERASED
    ],
)
def test_what_erased_flash_reads_as(name: str, erased: str) -> None:
    """Zeros, or anything, in either memory: nothing is told from it."""
    for internal, nor in ((erased, "0xFF"), ("0xFF", erased), (erased, erased)):
        update = pair_of(erased_as(name, internal, nor))
        played = rehearse(update.stage, update.package, pairs=100, seed="1")
        assert played.violation is None, played.violation


@long
def test_the_demos_update(record_property: Callable[[str, object], None]) -> None:
    """Every single cut of the demo's update, and a sample of 20,000 second ones."""
    stage, package = demo_update()
    played = rehearse(stage, package, pairs=20_000, seed="1")
    assert played.violation is None, played.violation
    tally = played.tally
    note(tally, record_property)
    assert played.way_back
    assert tally.singles == 2 * sum(tally.operations.values()) > 9000
    assert tally.pairs == 20_000


@pytest.mark.parametrize("name", PRODUCTS)
def test_first_installation(name: str) -> None:
    """A device without firmware: nothing to go back to, and every cut ends with the whole set or waits for it."""
    update = pair(name)
    blank = fresh(update.product)._replace(fresh=False, hardware=1)
    package = ByteView(update.first.package)
    stage = set_up(Context(update.product, update.first.trust, blank, {}), package)
    played = rehearse(stage, package, pairs=300, seed="1")
    assert played.violation is None, played.violation
    assert not played.way_back
    assert played.tally.pairs == 300


@pytest.mark.parametrize("name", PRODUCTS)
@pytest.mark.parametrize("seed", ["a", "b"])
def test_other_tears(name: str, seed: str) -> None:
    """Other seeds tear elsewhere, and torn flash reads otherwise."""
    update = pair(name)
    played = rehearse(update.stage, update.package, pairs=400, seed=seed)
    assert played.violation is None, played.violation


def test_what_was_there_already_is_left_alone() -> None:
    """The same release again: nothing is new, nothing is written."""
    update = pair("two cores")
    stage = set_up(
        Context(update.product, update.first.trust, update.state, update.contents), ByteView(update.first.package)
    )
    assert stage.verdict.accepted  # the same sequence with the identical manifest
    played = rehearse(stage, ByteView(update.first.package), pairs=None, seed="1")
    assert played.violation is None
    assert set(played.tally.operations.values()) == {0}


def test_a_damaged_image_is_installed_again() -> None:
    """Repair: the set before does not start, so that nothing is tried and nothing promised but completion."""
    update = pair("two cores")
    damaged = bytearray(update.contents["radio"].read(0, 4096))
    damaged[600] ^= 1
    contents = {**update.contents, "radio": ByteView(bytes(damaged))}
    package = ByteView(update.first.package)
    stage = set_up(Context(update.product, update.first.trust, update.state, contents), package)
    played = rehearse(stage, package, pairs=None, seed="1")
    assert played.violation is None, played.violation
    assert stage.oracle.promise.old is None
    assert "boot: rewrote radio" in played.events
    assert not any("wrote app" in event for event in played.events)


@pytest.mark.parametrize("unit", UNITS)
def test_write_units(unit: int) -> None:
    """Flash that is programmed bit by bit, and flash whose units are larger than a record's check."""
    update = pair_of(on_units("two cores", unit))
    played = rehearse(update.stage, update.package, pairs=500, seed="1")
    assert played.violation is None, played.violation
