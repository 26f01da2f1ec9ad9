"""Long stretches of the new image that lie in the old one, a few bytes apart from equal: found by anchors."""

from array import array
from operator import eq
from typing import TYPE_CHECKING

from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

ANCHOR = 12
"""Bytes that have to be equal where a stretch is looked for."""
PROBES = 12
"""Places with the same anchor that are compared."""
ANCHORS = 1 << 18
"""Places of the old image that are kept; a larger one is looked at in wider steps."""
SCORED, GOOD, POOR = 32, 24, 6
"""Units compared to score a place; at least so many equal: leave it; fewer than so many: it has ended."""
BACK = 256
"""Units that a stretch may begin in front of its anchor."""


class Stretch(NamedTuple):
    """Bytes of the new image that resemble as many of the old one."""

    new: int
    old: int
    length: int


def common(a: bytes, i: int, b: bytes, j: int, most: int) -> int:
    """Return how many bytes from there on are equal, at most so many."""
    k, step = 0, 32
    most = min(most, len(a) - i, len(b) - j)
    while k < most:
        end = min(k + step, most)
        if a[i + k : i + end] == b[j + k : j + end]:
            k = end
            step *= 4
        elif end - k > 8:
            step = (end - k) >> 2
        else:
            while a[i + k] == b[j + k]:
                k += 1
            break
    return k


def align(old: bytes, new: bytes, unit: int) -> list[Stretch]:
    """Return stretches of the new image in its order; positions and shifts are multiples of a unit."""
    found = _Aligner(old, new, unit).run() if len(old) >= ANCHOR and len(new) >= ANCHOR else []
    out: list[Stretch] = []
    last = 0
    for start, shift, end in found:
        first = max(start * unit, last, -shift * unit)
        length = min(end * unit, len(new), len(old) - shift * unit) - first
        if length > 0:
            out.append(Stretch(first, first + shift * unit, length))
            last = first + length
    return out


class _Aligner:
    """Everything in units: half-words of code, bytes of data."""

    def __init__(self, old: bytes, new: bytes, unit: int) -> None:
        self.old, self.new, self.unit = old, new, unit
        self.o: Sequence[int] = array("H", old[: len(old) & ~1]) if unit == 2 else old
        self.n: Sequence[int] = array("H", new[: len(new) & ~1]) if unit == 2 else new
        step = max(1, len(self.o) // ANCHORS)
        self.anchor: dict[bytes, int] = {}
        self.next: dict[int, int] = {}
        # the first place of each anchor is looked at first: of a run of equal bytes it has most in front of it
        for i in reversed(range(0, len(self.o) - ANCHOR // unit + 1, step)):
            key = old[i * unit : i * unit + ANCHOR]
            later = self.anchor.get(key)
            if later is not None:
                self.next[i] = later
            self.anchor[key] = i

    def run(self) -> list[tuple[int, int, int]]:
        """Return start, shift and end of each stretch."""
        found = []
        j = start = shift = 0
        inside, size, unit = True, len(self.n), self.unit
        while j < size:
            here = -99
            if inside:
                j += (
                    common(self.old, (j + shift) * unit, self.new, j * unit, size * unit) // unit
                    if j + shift >= 0
                    else 0
                )
                if j >= size:
                    break
                here = self._score(j + shift, j)
                if here >= GOOD:
                    j += 1
                    continue
            better = self._better(j, shift, here + 6 if inside else 7, inside=inside)
            if better is not None:
                begin = self._back(j, better, start, shift if inside else None)
                if inside and begin > start:
                    found.append((start, shift, begin))
                start, shift, inside = begin, better, True
                continue
            if inside and here < POOR:
                if j > start:
                    found.append((start, shift, j))
                inside, start = False, j
            j += 1
        if inside:
            found.append((start, shift, size))
        return found

    def _score(self, i: int, j: int) -> int:
        if i < 0:
            return -99
        return sum(map(eq, self.o[i : i + SCORED], self.n[j : j + SCORED]))

    def _better(self, j: int, shift: int, least: int, *, inside: bool) -> int | None:
        """Return the shift of the place that resembles what is here more than so much; the nearest of equal ones."""
        i = self.anchor.get(self.new[j * self.unit : j * self.unit + ANCHOR])
        best, pick = least, None
        for _ in range(PROBES):
            if i is None:
                break
            if not inside or i - j != shift:
                score = self._score(i, j)
                nearer = pick is not None and abs(i - j - shift) < abs(pick - shift)
                if score > best or (score == best and nearer):
                    best, pick = score, i - j
            i = self.next.get(i)
        return pick

    def _back(self, j: int, shift: int, start: int, now: int | None) -> int:
        """Return where the new stretch begins to be better than the one before it."""
        o, n = self.o, self.n
        begin, gain, top = j, 0, 0
        for q in range(j - 1, max(start, j - BACK, -shift) - 1, -1):
            value = n[q]
            gain += 1 if o[q + shift] == value else -1
            if now is not None and 0 <= q + now < len(o):
                gain -= 1 if o[q + now] == value else -1
            if gain > top:
                top, begin = gain, q
            if gain < top - 8:
                break
        return begin
