"""Any number of power cuts: every small product closes, and what breaks after some number of them is found.

Reference: the same exploration with slots byte by byte, in which nothing is taken for one but what the journal holds.
"""

import re
from pathlib import Path

import pytest
from demo_update import demo_update
from long_runs import long, mainly
from rare_faults import RARE
from stages import BRIEF, PRODUCTS, pair, pair_of
from test_planted_faults import FAULTS

from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.cuts_text import IN_A_ROW, journal_keeps, was_answered
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.reach import Reach
from imgseal.rehearse.sequence import parse, replay, token_of
from imgseal.rehearse.states import Reached
from imgseal.window import Bytes

PAGE = (Path(__file__).parents[2] / "docs" / "format" / "install-record.md").read_text()
MODEL = Programs()


def closed(
    stage: Stage, package: Bytes, *, healthy: bool, programs: Programs = MODEL, changing: bool = False
) -> Reached:
    reach = Reach(stage, package, healthy=healthy, programs=programs, changing=changing, kept=True)
    reached = reach.explore()
    assert reached.found is None, (token_of(reached.found), reached.found.message)
    assert reached.closed
    return reached


@pytest.mark.parametrize("name", PRODUCTS)
@pytest.mark.parametrize("healthy", [True, False])
def test_it_closes(name: str, *, healthy: bool) -> None:
    update = pair(name)
    reached = closed(update.stage, update.package, healthy=healthy)
    print(f"{name}, healthy {healthy}: {reached.states} states, {reached.steps} steps, {reached.cuts} cuts")
    rests = dict(reached.rests)
    assert rests["the new set, the package there" if healthy else list(rests)[-1]] > 0
    waits = update.product.components.values()
    if all(component.returns for component in waits if not component.recovery):
        assert set(rests) <= {
            f"{runs}, the package {is_}" for runs in ("the new set", "the set before") for is_ in ("there", "lost")
        }


@pytest.mark.parametrize("name", mainly("data in the NOR", PRODUCTS))
@pytest.mark.parametrize("healthy", [True, False])
def test_what_is_torn_may_change_between_two_resets(name: str, *, healthy: bool) -> None:
    update = pair(name)
    closed(update.stage, update.package, healthy=healthy, changing=True)


@pytest.mark.parametrize("name", mainly(next(iter(BRIEF)), BRIEF))
@pytest.mark.parametrize("healthy", [True, False])
def test_it_closes_with_a_boot_mark(name: str, *, healthy: bool) -> None:
    update = pair(name)
    closed(update.stage, update.package, healthy=healthy)


@long
@pytest.mark.parametrize("healthy", [True, False])
def test_the_demo_closes(*, healthy: bool) -> None:
    closed(*demo_update(), healthy=healthy)


@pytest.mark.parametrize("name", mainly("data in the NOR", PRODUCTS))
@pytest.mark.parametrize("healthy", [True, False])
def test_nothing_is_lost_by_taking_slots_for_one(name: str, *, healthy: bool) -> None:
    """Byte by byte it closes as well, and each state is one that is known, after no more cuts."""
    update = pair(name)
    merged = Reach(update.stage, update.package, healthy=healthy, kept=True)
    merged.explore()
    exact = Reach(update.stage, update.package, healthy=healthy, kept=True, exact=True)
    reached = exact.explore()
    assert (reached.found, reached.closed) == (None, True)
    entries = [entry for entry in exact.entries() if not entry.marks]
    assert len(entries) > 60
    for entry in entries:
        known = merged.known(entry.state)
        assert known is not None
        assert known.cuts <= entry.cuts


BY_THE_JOURNAL_AS_IT_IS = {"torn record taken as valid": 2, "one copy of a record": 2}
"""Faults of the journal that need so many cuts of the journal as it is."""
BY_CHANGING = "journal read by two programs"
"""What is torn has to read otherwise between two programs."""


@pytest.mark.parametrize("name", FAULTS)
def test_a_planted_fault_is_found(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    fault = FAULTS[name]
    update = pair(fault.product)
    fault.plant(monkeypatch)
    cuts = 2 if name == BY_CHANGING else BY_THE_JOURNAL_AS_IT_IS.get(name)
    asking = Asking(update.stage, update.package, fault.programs, cuts, None, changing=name == BY_CHANGING)
    explored = explore(asking)
    assert not was_answered(explored, asking.cuts)
    found = [each for each in explored if each.found is not None]
    assert found
    for each in found:
        assert each.again == (each.found and each.found.invariant)


@pytest.mark.parametrize("name", RARE)
def test_a_fault_that_needs_three_cuts(name: str) -> None:
    fault = RARE[name]
    update = pair_of(fault.product)
    reached = Reach(
        update.stage, update.package, healthy=fault.healthy, programs=fault.programs, kept=True
    ).explore()  # fmt: skip
    assert reached.found is not None
    assert (reached.found.cuts, reached.found.invariant) == (3, fault.breaks)
    healthy, sessions = parse(token_of(reached.found))
    error, _ = replay(update.stage, update.package, healthy=healthy, sessions=sessions, programs=fault.programs)
    assert error is not None
    assert (error.invariant, error.message) == (reached.found.invariant, reached.found.message)


@pytest.mark.parametrize("name", mainly("starts counted to two", RARE))
@pytest.mark.parametrize("healthy", [True, False])
def test_two_cuts_do_not_show_it(name: str, *, healthy: bool) -> None:
    """Every sequence of two, with the journal as it is and all answers."""
    fault = RARE[name]
    update = pair_of(fault.product)
    reached = Reach(update.stage, update.package, healthy=healthy, programs=fault.programs).explore(cuts=2)
    assert (reached.found, reached.cuts) == (None, 2)


def test_the_page_says_how_much_the_journal_stands() -> None:
    table = PAGE.split("### How many cuts in a row")[1].split("###")[0]
    least = {int(places): int(cuts) for places, cuts in re.findall(r"^\| (\d) \| (\d+) \|$", table, re.MULTILINE)}
    assert {places: cuts - 1 for places, cuts in least.items()} == IN_A_ROW
    assert journal_keeps(pair("two cores").product) == (3, 4)


def test_what_it_leaves_open_is_said() -> None:
    """A bound of lives: not closed, and no success."""
    update = pair("two cores")
    asking = Asking(update.stage, update.package, MODEL, None, 20, changing=False)
    explored = explore(asking)
    assert not was_answered(explored, asking.cuts)
    assert all(each.words.startswith("not closed after") for each in explored)
