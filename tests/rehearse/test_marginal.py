"""How far a supply may fall before the cut: docs/format/install-record.md, "What it asks of the supply"."""

import pytest
from marginal import survives


@pytest.mark.parametrize("seed", ["0", "1", "2"])
def test_two_copies_may_be_in_doubt(seed: str) -> None:
    """A copy of this product's record takes three operations; with six in doubt the first one is sound."""
    assert survives(6, seed) is None


def test_three_may_not() -> None:
    found = survives(7, "0")
    assert found is not None
    assert found.invariant == "starts"
