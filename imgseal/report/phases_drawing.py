"""Geometry of the way from the set before to the new one: a box a phase, an arrow where devices go on.

Numbers only; the template writes them, and escapes the texts beside them.
"""

from typing import Any

from imgseal.records import NamedTuple
from imgseal.rehearse.phases import ORDER

BOX, TALL, GAP, ABOVE, BELOW = 116, 52, 34, 64, 64
_BACK = ORDER[-1]
_HEAD = 7


class PhaseBox(NamedTuple):
    """Where the box of a phase is, by its number in the document."""

    number: int
    x: int
    y: int


class Arrow(NamedTuple):
    """A line and its head; `cut`: devices come this way only where the power fails."""

    line: str
    head: str
    cut: bool


class PhasesDrawing(NamedTuple):
    """The boxes of the way in one row, going back below them."""

    width: int
    height: int
    boxes: tuple[PhaseBox, ...]
    arrows: tuple[Arrow, ...]


def draw_phases(explored: dict[str, Any]) -> PhasesDrawing:
    """Place what one kind of set passes; ways that lead back into the same phase have no arrow."""
    names = [phase["name"] for phase in explored["phases"]]
    row = [name for name in names if name != _BACK]
    places = {name: (at * (BOX + GAP), ABOVE) for at, name in enumerate(row)}
    width, height = len(row) * (BOX + GAP) - GAP, ABOVE + TALL
    if _BACK in names:
        places[_BACK] = ((width - BOX) // 2, height + BELOW)
        height += BELOW + TALL
    alone = {(way["start"], way["end"]) for way in explored["ways"] if not way["cut"]}
    arrows = [
        _arrow(places, way["start"], way["end"], cut=way["cut"])
        for way in explored["ways"]
        if way["start"] != way["end"] and not (way["cut"] and (way["start"], way["end"]) in alone)
    ]
    boxes = tuple(PhaseBox(number, *places[name]) for number, name in enumerate(names))
    return PhasesDrawing(width, height, boxes, tuple(arrows))


def _arrow(places: dict[str, tuple[int, int]], start: str, end: str, *, cut: bool) -> Arrow:
    (x, y), (to_x, to_y) = places[start], places[end]
    if _BACK in (start, end):
        down = end == _BACK
        begin, tip = (x + BOX // 2, y + TALL * down), (to_x + BOX // 2, to_y + TALL * (not down))
        line = f"M{begin[0]} {begin[1]}L{tip[0]} {tip[1]}"
        return Arrow(line, _head(tip, "down" if down else "up"), cut)
    steps = (to_x - x) // (BOX + GAP)
    if steps == 1:
        middle = y + TALL // 2
        return Arrow(f"M{x + BOX} {middle}H{to_x}", _head((to_x, middle), "right"), cut)
    lift = min(ABOVE - 4, 14 + 12 * abs(steps))
    begin_x, tip_x = x + BOX // 2 + 8, to_x + BOX // 2 - 8
    line = f"M{begin_x} {y}C{begin_x} {y - lift} {tip_x} {y - lift} {tip_x} {y}"
    return Arrow(line, _head((tip_x, y), "down"), cut)


def _head(tip: tuple[int, int], to: str) -> str:
    sides = {"right": f"l-{_HEAD} -4v8z", "down": f"l-4 -{_HEAD}h8z", "up": f"l-4 {_HEAD}h8z"}
    return f"M{tip[0]} {tip[1]}{sides[to]}"
