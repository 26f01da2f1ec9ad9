"""The components of a package as docs/format/package.md lists them: ascending, a header behind its payload, no more run slots than there are."""

import pytest

from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.profile import _components
from imgseal.formats.suit.shape import Shape

ONE, TWO, DETACHED = (
    Shape(two_slots=False, detached=False),
    Shape(two_slots=True, detached=False),
    Shape(two_slots=False, detached=True),
)


def part(number: int, slot: int = 0, *, header: bool = False) -> OurComponent:
    return OurComponent(number, slot, header)


@pytest.mark.parametrize(
    ("parts", "shape", "expected"),
    [
        ([part(1)], ONE, None),
        ([part(1), part(2)], ONE, None),
        ([part(1), part(1, 1)], TWO, None),
        ([part(1), part(1, header=True)], DETACHED, None),
        ([part(2), part(1)], ONE, "identifiers in ascending order"),
        ([part(1), part(1)], ONE, "identifiers in ascending order"),
        ([part(1), part(1, 1)], ONE, "as many run slots as component 1 has"),
        ([part(1), part(1, 1), part(1, 2)], TWO, "as many run slots as component 1 has"),
        ([part(1, 1)], TWO, None),
        ([part(1, 1)], ONE, "a run slot below 1 for component 1"),
        ([part(1), part(1, 2)], TWO, "a run slot below 2 for component 1"),
        ([part(1)], DETACHED, "payload and header for [1, 0]"),
        ([part(1, header=True)], DETACHED, "payload and header for [1, 0]"),
        ([part(1), part(1, header=True)], ONE, "one identifier for [1, 0]"),
        ([part(3), part(7, 1, header=True)], ONE, "one identifier for [7, 1]"),
    ],
)
def test_components(parts: list[OurComponent], shape: Shape, expected: str | None) -> None:
    found = _components(parts, {1: shape, 2: shape, 3: shape, 7: shape})
    assert (found.expected if found else None) == expected
    assert found is None or found.where == "common.components"
