"""The version condition (28) by the rule of the draft: tests/vectors/suit-versions.json, and generated lists.

A condition that the draft lets fail always fails here. One that holds by the draft and not for the whole version fails as well:
docs/format/package.md, as release candidates are equal to their release where the manifest's list ends in front of the stage.
"""

import json
import operator
import random
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pytest

from imgseal.check.machine.executor import Machine
from imgseal.formats.cbor.strict import encode
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, VersionMatch
from imgseal.versions import Version

if TYPE_CHECKING:
    from imgseal.check.machine.executor import Host

VECTORS = json.loads((Path(__file__).parents[1] / "vectors" / "suit-versions.json").read_text())
SIGNS = {">": operator.gt, ">=": operator.ge, "=": operator.eq, "<=": operator.le, "<": operator.lt}
NUMBERS = {
    ">": labels.VERSION_GREATER,
    ">=": labels.VERSION_GREATER_EQUAL,
    "=": labels.VERSION_EQUAL,
    "<=": labels.VERSION_LESS_EQUAL,
    "<": labels.VERSION_LESS,
}


class Device:
    """As much of a device as this condition asks for."""

    def __init__(self, component: tuple[int, ...]) -> None:
        self.component = component

    def version(self, _index: int) -> tuple[int, ...]:
        return self.component


def judged(comparison: int, wanted: tuple[int, ...], component: tuple[int, ...]) -> bool:
    sequence = (
        Command(labels.SET_COMPONENT_INDEX, 0),
        Command(labels.OVERRIDE_PARAMETERS, {labels.VERSION: VersionMatch(comparison, wanted)}),
        Command(labels.CONDITION_VERSION, 15),
    )
    return Machine(1, cast("Host", Device(component))).run([("s", sequence)], ()) is None


def by_the_draft(comparison: int, wanted: tuple[int, ...], component: tuple[int, ...]) -> bool:
    """Number by number, until a pair differs or the manifest's list is used up."""
    order = 0
    for at, theirs in enumerate(wanted):
        mine = component[at] if at < len(component) else 0
        if mine != theirs:
            order = 1 if mine > theirs else -1
            break
    return {1: order > 0, 2: order >= 0, 3: order == 0, 4: order <= 0, 5: order < 0}[comparison]


def whole(comparison: int, wanted: tuple[int, ...], component: tuple[int, ...]) -> bool:
    width = max(len(wanted), len(component))
    padded = [each + (0,) * (width - len(each)) for each in (component, wanted)]
    result: bool = SIGNS[VECTORS["comparisons"][str(comparison)]](*padded)
    return result


def test_numbers_of_the_draft() -> None:
    assert {sign: int(number) for number, sign in VECTORS["comparisons"].items()} == NUMBERS
    for each in VECTORS["lists"]:
        version = Version.parse(each["version"])
        assert version.suit() == each["list"]
        assert Version.from_suit(each["list"]) == version
    for number, name in VECTORS["stages"].items():
        assert Version.parse(f"1.2.3-{name}.4").suit() == [1, 2, 3, int(number), 4]
    for each in VECTORS["encodings"]:
        comparison, numbers = each["condition"]
        assert encode([comparison, numbers]).hex() == each["hex"]


@pytest.mark.parametrize("case", VECTORS["holds"], ids=str)
def test_what_holds_by_the_draft(case: dict[str, Any]) -> None:
    (comparison, wanted), component = case["condition"], case["component"]
    assert by_the_draft(comparison, tuple(wanted), tuple(component)) == case["holds"]
    if not case["holds"]:
        assert not judged(comparison, tuple(wanted), tuple(component))


def test_generated_lists() -> None:
    rng = random.Random(28)
    counts = {True: 0, False: 0}
    for _ in range(4000):
        lists = []
        for _ in range(2):
            numbers = tuple(rng.randrange(3) for _ in range(rng.randrange(1, 4)))
            lists.append(numbers + ((rng.randrange(-3, 0), rng.randrange(3)) if rng.random() < 0.4 else ()))
        for comparison in range(1, 6):
            expected = by_the_draft(comparison, *lists) and whole(comparison, *lists)
            assert judged(comparison, *lists) == expected, (comparison, lists)
            counts[expected] += 1
    print(f"{sum(counts.values())} conditions, {counts[True]} of them hold")
    assert min(counts.values()) > 3000
