"""Faults planted where deliveries are installed: each is found by any number of cuts, and played again.

One shows only where a second delivery of the release comes after a cut: it is offered after every one.
"""

import pytest
from delivery_faults import (
    ErasesWhatWaits,
    HashesTheBaseOnce,
    TakesAnyResult,
    WritesTheBase,
    another_result,
    said_after_each_cut,
)  # fmt: skip
from forced import KINDS
from kinds import of_kind
from stages import PRODUCTS, WAITING

from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.stage import set_up
from imgseal.window import Bytes

TWO, STAGED = "two run slots", "staged outside, kept"
WAITS = next(name for name in WAITING if name.startswith(STAGED))
LOST_SET = {"starts", "settles", "way-back", "ends"}
"""What breaks where a set that runs is not there any more."""


def broken(stage: Stage, data: Bytes, programs: Programs) -> set[str]:
    """The invariants that break under any number of cuts; each sequence is played again."""
    explored = explore(Asking(stage, data, programs, None, 3000, changing=False))
    for each in explored:
        assert each.again == (each.found and each.found.invariant)
    return {each.found.invariant for each in explored if each.found is not None}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", [TWO, STAGED])
def test_the_base_is_written(name: str, kind: str) -> None:
    delivered = of_kind(name, kind)
    assert broken(delivered.stage, delivered.package, Programs(installer=WritesTheBase)) & LOST_SET


@pytest.mark.parametrize("kind", KINDS)
def test_what_waits_is_erased(kind: str) -> None:
    delivered = of_kind(WAITS, kind)
    assert broken(delivered.stage, delivered.package, Programs(installer=ErasesWhatWaits)) == {"flash"}


def test_the_result_is_not_verified() -> None:
    """A sealed image of another release is refused, and changes nothing; the faulty device starts it."""
    first, other = another_result()
    stage = set_up(first.context, other)
    assert [finding.code for finding in stage.verdict.findings] == ["digest.result"]
    assert broken(stage, other, Programs()) == set()
    assert broken(stage, other, Programs(device=TakesAnyResult)) == {"judged"}


@pytest.mark.parametrize("name", PRODUCTS)
def test_another_delivery_comes_after_a_cut(name: str) -> None:
    """Of the same release, for what the device does not run: refused by its base wherever the cut was, until it is there."""
    told = list(said_after_each_cut(name, Programs()))
    assert {said for _, said, _ in told} <= {"digest.base", "nothing"}
    assert sum(said == "digest.base" for _, said, _ in told) > 5
    assert not any(changed for _, said, changed in told if said == "digest.base")


@pytest.mark.parametrize("name", [TWO, STAGED])
def test_the_base_is_not_hashed_again(name: str) -> None:
    told = list(said_after_each_cut(name, Programs(device=HashesTheBaseOnce)))
    assert ("delivered", True) in {(said, changed) for _, said, changed in told}
    assert told == list(said_after_each_cut(name, Programs(device=HashesTheBaseOnce)))
