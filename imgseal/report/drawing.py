"""Geometry of the pictures: where each block and label of a memory map is, and the paths of a rehearsal's lanes.

Numbers only; the template writes them, and escapes the texts beside them.
"""

from typing import Any

from imgseal.paths.ways import BEHIND
from imgseal.records import NamedTuple

_TOP, _LABEL, _LEAST = 8, 30, 300
_THIN = 1.5


class Block(NamedTuple):
    """One range of a memory: its box (y, height), the part that is taken, and the line that its label stands on."""

    number: int
    y: float
    height: float
    taken: float
    label_y: float


class MapDrawing(NamedTuple):
    """A memory to scale: low addresses on top, a label for every slot beside its box."""

    height: int
    bar: int
    blocks: tuple[Block, ...]


def draw_map(memory: dict[str, Any]) -> MapDrawing:
    """Place the ranges of one memory of a report document; heights are to scale, and never thinner than a line."""
    ranges = memory["ranges"]
    labelled = [index for index, part in enumerate(ranges) if part["slot"] is not None]
    bar = max(_LEAST, len(labelled) * _LABEL + _LABEL)
    scale = bar / memory["size"]
    boxes = [((part["start"] - memory["base"]) * scale, part["size"] * scale) for part in ranges]
    wanted = [boxes[index][0] + boxes[index][1] / 2 for index in labelled]
    placed = dict(zip(labelled, _spread(wanted, bar), strict=True))
    blocks = []
    for index, part in enumerate(ranges):
        y, height = boxes[index]
        taken = height * min(part["used"], part["size"]) / part["size"] if part["size"] else 0
        shown = max(height, _THIN)
        y = min(y, bar - shown)
        least = min(shown, _THIN) if part["used"] else 0
        label = round(_TOP + placed.get(index, y), 1)
        blocks.append(Block(index, round(_TOP + y, 2), round(shown, 2), round(max(taken, least), 2), label))
    return MapDrawing(bar + 2 * _TOP, bar, tuple(blocks))


def _spread(wanted: list[float], height: float) -> list[float]:
    """Move labels apart, as little as it takes: down from the top first, then up from the bottom."""
    out: list[float] = []
    last = _LABEL / 2 - _LABEL
    for place in wanted:
        last = max(place, last + _LABEL)
        out.append(last)
    limit = height + _LABEL / 2
    for index in range(len(out) - 1, -1, -1):
        limit = min(out[index], limit - _LABEL)
        out[index] = limit
    return out


class WayDrawing(NamedTuple):
    """Paths of one row: the release that devices have, their line to the end, stops, and where it breaks."""

    start: str
    line: str
    stops: str
    broken: str


def draw_ways(document: dict[str, Any]) -> tuple[int, tuple[WayDrawing, ...]]:
    """Return how many columns a picture of ways has, one for each release and the last for the package; then each row.

    A way that is not known to go on ends at the release that is missing; where there is none the line is only a mark.
    """
    rows = document["releases"]
    columns = {manifest: at for at, (_, manifest) in enumerate(sorted({(r["sequence"], r["manifest"]) for r in rows}))}
    end = len(columns)
    out = []
    for row in rows:
        at, answer = columns[row["manifest"]], row["answer"]
        stops = [columns.get(each["manifest"], end) for each in row["through"]]
        to = {"runs": end, "direct": end, "through": end, "missing": max(stops, default=at)}.get(answer, at)
        line = f"M{at + 0.5} .42H{to + 0.5}v.16H{at + 0.5}z" if to > at else ""
        broken = f"M{to + 0.5} 0v1" if answer in BEHIND else ""
        out.append(WayDrawing(_box(at), line, "".join(map(_box, stops)) + (_box(end) if to == end else ""), broken))
    return end + 1, tuple(out)


def _box(column: int) -> str:
    return f"M{column + 0.2} .15h.6v.7h-.6z"


def path_of(spans: list[list[Any]], kind: str | None = None) -> str:
    """Return the path of the spans of one kind, as boxes of height 1; x counts operations."""
    return "".join(f"M{span[0]} 0h{span[1] - span[0]}v1H{span[0]}z" for span in spans if kind in (None, span[-1]))
