"""The cut points of a rehearsal as lanes: which slot each operation works on, in the order in which they come."""

from collections.abc import Iterable, Sequence
from typing import Any

from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.rehearse.estimate import Worked
from imgseal.rehearse.flash import Operation

COUNTERS = "counters"
COLUMNS = 240
"""Columns that a picture has at most: operations are drawn together where there are more of them."""

ERASE, PROGRAM, STEP = "erase", "program", "step"


class Span(NamedTuple):
    """Operations `first` up to and without `end`, counted from 0, all of the kind `what`."""

    first: int
    end: int
    what: str


class Lane(NamedTuple):
    """A slot (or the counters), how many operations work on it by kind, and where they are."""

    name: str
    memory: str | None
    erases: int
    programs: int
    steps: int
    spans: tuple[Span, ...]


def lanes(worked: Sequence[Worked], product: Product) -> tuple[Lane, ...]:
    """Return the lanes of an undisturbed run, in the order in which they are first worked on."""
    pieces: dict[tuple[str, str | None], list[tuple[int, int, str]]] = {}
    for number, (operation, _) in enumerate(worked):
        where: tuple[str, str | None] = (COUNTERS, None)
        what = STEP
        if isinstance(operation, Operation):
            where = _slot(operation, product), operation.memory
            what = ERASE if operation.data is None else PROGRAM
        pieces.setdefault(where, []).append((number, number + 1, what))
    out = []
    for where, each in pieces.items():
        kinds = [what for _, _, what in each]
        erases, programs, steps = map(kinds.count, (ERASE, PROGRAM, STEP))
        out.append(Lane(*where, erases, programs, steps, _runs(each)))
    return tuple(out)


def down_spans(worked: Sequence[Worked]) -> tuple[Span, ...]:
    """Return where the product stands still, because the bootloader works."""
    return _runs((number, number + 1, "down") for number, (_, down) in enumerate(worked) if down)


def _slot(operation: Operation, product: Product) -> str:
    mine = (slot for slot in product.slots.values() if slot.memory == operation.memory)
    names = (slot.name for slot in mine if slot.at <= operation.at < slot.at + slot.size)
    return next(names, f"{operation.memory}, outside of the slots")


def joined(spans: Sequence[Sequence[Any]], total: int) -> tuple[Span, ...]:
    """Return spans for a picture, where each takes whole columns; a column with an erase in it shows the erase."""
    width = max(1, -(-total // COLUMNS))
    columns: dict[int, str] = {}
    for first, end, what in spans:
        for column in range(first // width, (end - 1) // width + 1):
            if columns.get(column) != ERASE:
                columns[column] = what
    return _runs(((column * width, min((column + 1) * width, total), what) for column, what in sorted(columns.items())))


def _runs(pieces: Iterable[tuple[int, int, str]]) -> tuple[Span, ...]:
    """Put pieces of one kind together that follow each other without a gap."""
    spans: list[Span] = []
    for first, end, what in pieces:
        if spans and spans[-1].end == first and spans[-1].what == what:
            spans[-1] = spans[-1]._replace(end=end)
        else:
            spans.append(Span(first, end, what))
    return tuple(spans)
