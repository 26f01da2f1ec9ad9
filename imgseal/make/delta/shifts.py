"""The shift table: where what stood at an old address stands now, in as few entries as pay for themselves."""

from bisect import bisect_right
from collections.abc import Iterable

from imgseal.records import NamedTuple

ENTRY_COST = 12
"""What an entry costs, in thirds of the cost of a field that is missed."""
WIDEST = 4000
"""Shifts that are weighed at once."""
LOOKED_BACK = 40


class Reference(NamedTuple):
    """A field that a copy moves: what it points to, by how much that moved, and what telling it otherwise costs."""

    target: int
    shift: int
    cost: int


class Entry(NamedTuple):
    """From this old address on the shift is this."""

    address: int
    shift: int


class ShiftTable(NamedTuple):
    """Entries of the image, then those of RAM."""

    flash: list[Entry]
    ram: list[Entry]


def shift_table(
    references: Iterable[Reference], ram: range, first: int, copied: Iterable[Entry], most: int
) -> ShiftTable:
    """Return the table that costs least; `first` is the shift before any entry, `copied` says where copies begin."""
    ordered = sorted(references)
    flash = [reference for reference in ordered if reference.target not in ram]
    inside = [reference for reference in ordered if reference.target in ram]
    cost = ENTRY_COST
    while True:
        pieces = _pieces(flash, first, cost), _pieces(inside, 0, cost)
        if len(pieces[0]) + len(pieces[1]) <= most:
            break
        cost += cost // 8
    starts = sorted(set(copied))
    entries = []
    for i, shift in pieces[0]:
        low = flash[i - 1].target + 1 if i else 0
        entries.append(Entry(_begin_of_copy(starts, low, flash[i].target, shift), shift))
    return ShiftTable(entries, [Entry(inside[i].target & ~1, shift) for i, shift in pieces[1]])


def _begin_of_copy(starts: list[Entry], low: int, high: int, shift: int) -> int:
    """Return the address where a copy with the shift begins, so that the table can tell of copies as well."""
    at = bisect_right(starts, Entry(high, 1 << 40))
    for address, moved in reversed(starts[max(0, at - LOOKED_BACK) : at]):
        if address < low:
            break
        if moved == shift and not address & 1:
            return address
    return high & ~1


def _pieces(references: list[Reference], first: int, cost: int) -> list[tuple[int, int]]:
    """Return (index, shift) where the shift changes, so that entries and misses cost least in all.

    Dynamic programming over the shift that is in force; what all others have missed in common is left out of the sums.
    """
    spent = {first: 0}
    trail: dict[int, tuple[int, int, object] | None] = {first: None}
    best, least = first, 0
    for i, (_, shift, worth) in enumerate(references):
        value = spent.get(shift)
        if value is None or value > least + cost:
            if shift != best:
                trail[shift] = (i, shift, trail[best])
            value = least + cost
        spent[shift] = value = value - worth
        if shift == best or value < least:
            best, least = shift, value
        if len(spent) > WIDEST:
            spent = {each: value for each, value in spent.items() if value <= least + cost}
            trail = {each: trail[each] for each in spent}
    pieces = []
    step = trail[best]
    while step:
        pieces.append(step[:2])
        step = step[2]  # type: ignore[assignment]
    return pieces[::-1]
