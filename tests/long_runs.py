"""What `tests/run` leaves to `tests/run --all`, which CI calls: the rest of long tables of which every fifth row is always tried."""

from collections.abc import Sequence
from typing import Any

import pytest

__all__ = ["every_fifth", "long"]

long = pytest.mark.long


def every_fifth(rows: Sequence[Sequence[Any]]) -> list[Any]:
    """Rows for parametrize, named by their first value; four of five are long."""
    return [pytest.param(*row, id=row[0], marks=() if number % 5 == 0 else long) for number, row in enumerate(rows)]
