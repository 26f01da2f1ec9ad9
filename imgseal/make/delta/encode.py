"""Patches: docs/format/delta.md, the writing side. The same inputs give the same bytes, on every machine."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable

from imgseal.formats.delta.layout import (
    AGAIN,
    CALL_OFF,
    CORRECTED,
    DIFFERENCE,
    DISTANCE,
    FROM_NEW,
    GOES_ON,
    IS_COPY,
    LENGTH,
    LITERAL,
    MISSED,
    NEW_CALL,
    NEW_LENGTH,
    SHIFT,
    WORD,
    WORD_OFF,
    Frame,
    preamble,
)
from imgseal.make.delta.align import align
from imgseal.make.delta.coder import Coder
from imgseal.make.delta.fields import Image, call_target
from imgseal.make.delta.parse import LITERAL as LITERAL_TOKEN
from imgseal.make.delta.parse import NEW, OLD, STORED, Parser, Token
from imgseal.make.delta.shifts import Entry, Reference, ShiftTable, shift_table
from imgseal.records import NamedTuple

ENTRIES = 128
"""Of the shift table, where nothing else is said."""


class Patch(NamedTuple):
    """A patch, the entries of its shift table, and how many bits each token of the new image took."""

    data: bytes
    entries: int
    spent: list[tuple[Token, int]]


class _Field(NamedTuple):
    kind: int
    target: int
    now: int
    inside: bool


def encode(old: bytes, new: bytes, frame: Frame | None, entries: int = ENTRIES) -> Patch:
    """Return the patch that makes the new image of the old one, which may be empty; without a frame they are data."""
    before = Image(old, frame.old_base if frame else 0, frame)
    after = Image(new, frame.new_base if frame else 0, frame)
    images = [image.without_addresses() if frame else image.data for image in (before, after)]
    stretches = align(images[0], images[1], 2 if frame else 1)
    tokens = Parser(before, after, stretches, code=frame is not None).run()
    writer = _Writer(before, after, frame)
    spent = writer.write(tokens, entries)
    return Patch(preamble(len(new), frame) + writer.coder.finish(), writer.entries, spent)


class _Writer:
    def __init__(self, old: Image, new: Image, frame: Frame | None) -> None:
        self.old, self.new, self.code = old, new, frame is not None
        self.coder = Coder()
        self.moved = new.base - old.base
        self.ram = range(frame.ram, frame.ram + frame.ram_size) if frame else range(0)
        self.table = ShiftTable([], [])
        self.entries = 0
        self.history = [0, 0, 0]

    def write(self, tokens: list[Token], entries: int) -> list[tuple[Token, int]]:
        fields = (
            {token.at: list(self._fields(token)) for token in tokens if token.kind in (OLD, NEW)} if self.code else {}
        )
        if self.code and self.old.size:
            self._table(tokens, fields, entries)
        spent = []
        shift, from_new, old_end, literals = 0, 0, 0, 3
        coder, new, old = self.coder, self.new.data, self.old.data
        for token in tokens:
            kind, at, source, length = token
            start = coder.written()
            if kind == LITERAL_TOKEN:
                coder.bit(IS_COPY + literals, 0)
                here = at + shift
                if literals == 0 and 0 <= here < (at if from_new else len(old)):
                    coder.byte(DIFFERENCE, new[at] - (new if from_new else old)[here] & 255)
                else:
                    coder.byte(LITERAL + 256 * (at & 1), new[at])
                literals = min(literals + 1, 3)
                spent.append((token, coder.written() - start))
                continue
            coder.bit(IS_COPY + literals, 1)
            again = literals and source - at == shift and from_new == (kind != OLD)
            if literals:
                coder.bit(AGAIN + literals, int(not again))
            if not again:
                from_new = int(kind != OLD)
                coder.bit(FROM_NEW + int(literals > 0), from_new)
                if from_new:
                    coder.number(DISTANCE, at - source)
                else:
                    self._seek(source, old_end, at + shift)
                shift = source - at
            coder.number(NEW_LENGTH if from_new else LENGTH, length - 1)
            literals = 0
            if kind == STORED:
                for value in new[at : at + length]:
                    coder.direct(value, 8)
            elif kind == OLD:
                old_end = source + length
            for field in fields.get(at, ()):
                self._field(field, at - source)
            spent.append((token, coder.written() - start))
        return spent

    def _seek(self, source: int, old_end: int, expected: int) -> None:
        """Say where a copy of the old image begins: at an entry of the table, after the last copy, or so far off."""
        keys = self.table.flash
        i = bisect_left(keys, (self.old.base + old_end,))
        if i < len(keys) and source == keys[i].address - self.old.base:
            self.coder.bit(GOES_ON, 1)
            self.coder.bit(GOES_ON + 1, 1)
        elif source == old_end:
            self.coder.bit(GOES_ON, 1)
            self.coder.bit(GOES_ON + 1, 0)
        else:
            self.coder.bit(GOES_ON, 0)
            self.coder.signed(SHIFT, 0, source - expected)

    def _fields(self, token: Token) -> Iterable[_Field]:
        """Fields that the copy moves, and what they point to before and now."""
        kind, at, source, length = token
        image = self.old if kind == OLD else self.new
        shift = source - at
        if shift & 1 or (kind == NEW and shift > -4):
            return
        low, high = image.base + source, image.base + source + length
        halves = self.new.halves
        for offset in image.fields(source, source + length, words=kind == OLD and not shift & 3):
            field = image.kinds[offset >> 1]
            j = offset - shift >> 1
            target = image.targets[offset]
            a, b = halves[j], halves[j + 1]
            now = a | b << 16 if field == WORD else call_target(a, b, self.new.base + offset - shift)
            if kind == NEW:
                field = NEW_CALL
            yield _Field(field, target, now, kind == OLD and low <= target < high)

    def _table(self, tokens: list[Token], fields: dict[int, list[_Field]], entries: int) -> None:
        references = []
        for kind, at, source, _ in tokens:
            if kind != OLD:
                continue
            for field in fields[at]:
                if not field.inside:
                    plain = 0 if field.kind == WORD else self.moved + at - source
                    shift = field.now - field.target
                    references.append(Reference(field.target, shift, 3 if shift == plain else 9))
        copied = (
            Entry(self.old.base + source, self.moved + at - source)
            for kind, at, source, length in tokens
            if kind == OLD and length >= 8
        )
        self.table = shift_table(references, self.ram, self.moved, copied, entries)
        self.entries = sum(map(len, self.table))
        for part, first, moved in zip(self.table, (self.old.base, self.ram.start), (self.moved, 0), strict=True):
            key, value = first, moved
            self.coder.number(LENGTH, len(part))
            for address, shift in part:
                self.coder.number(DISTANCE, address - key >> 1)
                self.coder.signed(SHIFT, 0, shift - value)
                key, value = address, shift

    def _shift_of(self, target: int) -> int:
        inside = target in self.ram
        part = self.table.ram if inside else self.table.flash
        i = bisect_right(part, (target, 1 << 40))
        return part[i - 1].shift if i else 0 if inside else self.moved

    def _field(self, field: _Field, plain: int) -> None:
        """A field: as foreseen, or as it stood, or corrected."""
        kind, target, now, inside = field
        plain += self.moved if kind != NEW_CALL else 0
        unmoved = 0 if kind == WORD else plain
        if kind == NEW_CALL:
            shift, context = 0, 0
        elif inside:
            shift, context = plain, 0
        else:
            shift = self._shift_of(target)
            context = 2 if shift == plain else 4
        guess = target + shift
        if kind != WORD:
            guess &= ~1
        missed = int(guess != now)
        self.coder.bit(MISSED + kind * 6 + context + self.history[kind], missed)
        self.history[kind] = missed
        if not missed:
            return
        if guess != target + unmoved:
            corrected = int(now != target + unmoved)
            self.coder.bit(CORRECTED + kind, corrected)
            if not corrected:
                return
        which, unit = (WORD_OFF, 1) if kind == WORD else (CALL_OFF, 2)
        self.coder.signed(which, 1 + kind, (now - guess) // unit)
