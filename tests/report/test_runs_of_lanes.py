"""Pieces of one kind that follow each other are one box of the picture; a gap or another kind begins the next."""

import pytest

from imgseal.report.timeline import Span, _runs


@pytest.mark.parametrize(
    ("pieces", "spans"),
    [
        ([], []),
        ([(0, 2, "erase"), (2, 5, "erase")], [(0, 5, "erase")]),
        ([(0, 2, "erase"), (2, 5, "write")], [(0, 2, "erase"), (2, 5, "write")]),
        ([(0, 2, "erase"), (3, 5, "erase")], [(0, 2, "erase"), (3, 5, "erase")]),
        ([(0, 2, "a"), (2, 3, "a"), (3, 4, "b"), (5, 6, "b"), (6, 9, "b")], [(0, 3, "a"), (3, 4, "b"), (5, 9, "b")]),
    ],
)
def test_runs(pieces: list[tuple[int, int, str]], spans: list[tuple[int, int, str]]) -> None:
    assert _runs(pieces) == tuple(Span(*span) for span in spans)
