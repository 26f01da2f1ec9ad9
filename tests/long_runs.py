"""What `tests/run` leaves to `tests/run --all`, which CI calls: the rest of long tables of which every fifth row is always tried."""

from collections.abc import Iterable, Sequence
from typing import Any

import pytest

__all__ = ["every_fifth", "long", "mainly"]

long = pytest.mark.long


def every_fifth(rows: Sequence[Sequence[Any]]) -> list[Any]:
    """Rows for parametrize, named by their first value; four of five are long."""
    return [pytest.param(*row, id=row[0], marks=() if number % 5 == 0 else long) for number, row in enumerate(rows)]


def mainly(one: object, values: Iterable[object]) -> list[Any]:
    """Values for parametrize; all but `one` are long."""
    return [pytest.param(value, id=str(value), marks=() if value == one else long) for value in values]
