"""Geometry of the pictures: where each block and label of a memory map is, and the paths of a rehearsal's lanes.

Numbers only; the template writes them, and escapes the texts beside them.
"""

from typing import Any

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


def path_of(spans: list[list[Any]], kind: str | None = None) -> str:
    """Return the path of the spans of one kind, as boxes of height 1; x counts operations."""
    return "".join(f"M{span[0]} 0h{span[1] - span[0]}v1H{span[0]}z" for span in spans if kind in (None, span[-1]))
