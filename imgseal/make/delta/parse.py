"""The new image as literals and copies, from the old image and from what of the new one is written already."""

from array import array
from bisect import bisect_left
from collections.abc import Iterator

from imgseal.formats.delta.layout import CALL, WORD
from imgseal.make.delta.align import Stretch, common
from imgseal.make.delta.fields import Image
from imgseal.records import NamedTuple

LITERAL, OLD, NEW, STORED = range(4)

NEAR_BYTES = 1 << 20
"""Old images up to this size are searched for short copies; in larger ones only long stretches are found."""
WINDOW = 1 << 16
"""How far back copies from the new image are looked for, at least."""
PROBES = 8
SHORT_OLD, SHORT_NEW = 4, 3
FLASH_MOVE, RAM_MOVE = 1 << 23, 1 << 20
"""How far a word may move and still be a field: corrections of it stay within a number of the format."""
LITERAL_BITS = 7
GAIN_BITS = 2
BLOCK = 4096
"""Bytes of a block that is stored as it is where it does not compress."""


class Token(NamedTuple):
    """A literal, a copy from an image, or bytes that are stored; the source is an offset of it."""

    kind: int
    at: int
    source: int
    length: int


def _number_bits(value: int) -> float:
    return (abs(value) + 1).bit_length() + 1.5


class Parser:
    """Tokens of one new image."""

    def __init__(self, old: Image, new: Image, stretches: list[Stretch], *, code: bool) -> None:
        self.old, self.new, self.stretches = old, new, stretches
        self.code = code
        self.step = 2 if code else 1
        self.tokens: list[Token] = []
        self.shift, self.from_new, self.after_literal = 0, False, False
        self.absolute = new.with_absolute_calls() if code else new.data
        self.indexed = 0
        self.latest: dict[bytes, int] = {}
        self.earlier = array("i", [-1]) * (new.size + 1)
        self.latest_call: dict[bytes, int] = {}
        self.earlier_call: dict[int, int] = {}
        self.near = self._near() if old.size <= NEAR_BYTES else {}

    def _near(self) -> dict[bytes, list[int] | int]:
        near: dict[bytes, list[int] | int] = {}
        data = self.old.data
        for i in range(0, len(data) - SHORT_OLD + 1, self.step):
            key = data[i : i + SHORT_OLD]
            found = near.get(key)
            if found is None:
                near[key] = i
            elif isinstance(found, int):
                near[key] = [found, i]
            else:
                found.append(i)
        return near

    def run(self) -> list[Token]:
        """Return the tokens, in the order of the new image and without gaps."""
        at = 0
        for new, old, length in self.stretches:
            self._fill(at, new)
            self._follow(new, old, new + length)
            at = new + length
        self._fill(at, self.new.size)
        return self.tokens

    def extend(self, image: Image, source: int, at: int, end: int) -> int:
        """Return how many bytes a copy from an offset of an image reproduces, fields moved."""
        own, data, new = image is self.new, image.data, self.new.data
        shift = source - at
        if not self.code or shift & 1 or (own and shift > -4):
            return common(data, source, new, at, end - at)
        start = at
        offsets = image.calls if own or shift & 3 else image.offsets
        even = source + (source & 1)
        for i in range(bisect_left(offsets, even), len(offsets)):
            field = offsets[i]
            if field < source:
                continue
            here = min(field - source, end - at)
            equal = common(data, source, new, at, here)
            source += equal
            at += equal
            if equal < here or at + 4 > end:
                break
            if not self._same_kind(image, field, at):
                return at - start
            source += 4
            at += 4
        return at - start + common(data, source, new, at, end - at)

    def _same_kind(self, image: Image, field: int, at: int) -> bool:
        kinds, i, j = image.kinds[field >> 1], field >> 1, at >> 1
        new = self.new
        if kinds == CALL:
            a, b = new.halves[j], new.halves[j + 1]
            return a >> 11 == 30 and b & 0xD000 == image.halves[i + 1] & 0xD000
        points = image.targets[field]
        now = new.halves[j] | new.halves[j + 1] << 16
        if points == now:
            return True
        if image.base <= points < image.base + image.size:
            return new.base <= now < new.base + new.size and abs(now - new.base - points + image.base) < FLASH_MOVE
        return new.kinds[j] == WORD and not new.base <= now < new.base + new.size and abs(now - points) < RAM_MOVE

    def _follow(self, at: int, source: int, end: int) -> None:
        self.shift, self.from_new = source - at, False
        while at < end:
            length = self.extend(self.old, at + self.shift, at, end)
            if length >= 3:
                self.tokens.append(Token(OLD, at, at + self.shift, length))
                at += length
            else:
                self.tokens.append(Token(LITERAL, at, 0, 1))
                at += 1
        self.after_literal = True

    def _fill(self, at: int, end: int) -> None:
        """Literals and short copies between stretches."""
        ahead = None
        looked_at = at
        while at < end:
            gain, token = ahead or self._best(at, end)
            ahead = None
            if gain < BLOCK and at >= looked_at and end - at >= BLOCK:
                looked_at = at + BLOCK
                if _does_not_compress(self.new.data[at:looked_at]):
                    self.tokens.append(Token(STORED, at, at, BLOCK))
                    at = self.indexed = looked_at
                    self.shift, self.from_new, self.after_literal = 0, True, False
                    continue
            if gain > GAIN_BITS and token:
                self.after_literal = True
                ahead = self._best(at + 1, end) if at + 1 < end and token.length < 64 else None
                if ahead is None or ahead[0] <= gain + LITERAL_BITS / 2:
                    ahead = None
                    self.tokens.append(token)
                    self.shift, self.from_new = token.source - at, token.kind == NEW
                    at += token.length
                    self.after_literal = False
                    continue
            self.after_literal = True
            self.tokens.append(Token(LITERAL, at, 0, 1))
            at += 1

    def _best(self, at: int, end: int) -> tuple[float, Token | None]:
        """Return the copy that saves most bits, and how many."""
        best: tuple[float, Token | None] = (0, None)
        if self.after_literal and at + self.shift >= 0 and not (self.from_new and not self.shift):
            image, kind = (self.new, NEW) if self.from_new else (self.old, OLD)
            length = self.extend(image, at + self.shift, at, end)
            if length >= 2:
                best = LITERAL_BITS * length - 2 - _number_bits(length), Token(kind, at, at + self.shift, length)
        if at + SHORT_OLD > end:
            return best
        longest = 0
        for source in self._in_new(at):
            if self.absolute[source + longest : source + longest + 1] != self.absolute[at + longest : at + longest + 1]:
                continue
            length = self.extend(self.new, source, at, end)
            if length > longest:
                longest = length
                gain = LITERAL_BITS * length - 5 - _number_bits(at - source) - _number_bits(length)
                if gain > best[0]:
                    best = gain, Token(NEW, at, source, length)
        for source in self._in_old(at):
            length = self.extend(self.old, source, at, end)
            gain = LITERAL_BITS * length - 6 - _number_bits(source - at - self.shift) - _number_bits(length)
            if gain > best[0]:
                best = gain, Token(OLD, at, source, length)
        return best

    def _in_new(self, at: int) -> Iterator[int]:
        """Places of the new image that are like this one, the nearest first."""
        new, absolute = self.new.data, self.absolute
        for i in range(max(self.indexed, at - WINDOW), min(at, len(new) - SHORT_NEW + 1)):
            key = new[i : i + SHORT_NEW]
            self.earlier[i] = self.latest.get(key, -1)
            self.latest[key] = i
            if not i & 1:
                key = absolute[i : i + 4]
                if key != new[i : i + 4]:
                    self.earlier_call[i] = self.latest_call.get(key, -1)
                    self.latest_call[key] = i
        self.indexed = max(self.indexed, at)
        key = absolute[at : at + 4]
        if not at & 1 and key != new[at : at + 4]:
            source = self.latest_call.get(key, -1)
            for _ in range(PROBES):
                if source < 0:
                    break
                yield source
                source = self.earlier_call[source]
        source = self.latest.get(new[at : at + SHORT_NEW], -1)
        for _ in range(PROBES):
            if source < 0:
                break
            yield source
            source = self.earlier[source]

    def _in_old(self, at: int) -> list[int]:
        """Places of the old image that are like this one, those around the last copy."""
        found = self.near.get(self.new.data[at : at + SHORT_OLD])
        if found is None:
            return []
        if isinstance(found, int):
            return [found]
        here = bisect_left(found, at + self.shift)
        return found[max(0, here - PROBES) : here + PROBES]


def _does_not_compress(block: bytes) -> bool:
    """Bytes that are spread as evenly as those of a cipher: of 4,096 such, no value comes in more than a hundredth."""
    return max(map(block.count, set(block))) < 41 and len(set(block)) > 250
