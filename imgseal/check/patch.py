"""Patches: docs/format/delta.md, the reading side, without code of the writer. Whatever one says, it stays inside."""

import struct
from bisect import bisect_left, bisect_right

from imgseal.formats.delta import layout
from imgseal.formats.delta.layout import Frame
from imgseal.records import NamedTuple


class Spoiled(NamedTuple):
    """Why a patch is none, and where: the byte of it that was read last, and of the image that would be next."""

    why: str
    offset: int
    image_offset: int


class _NoPatch(Exception):  # noqa: N818 - it never leaves this module
    pass


_WORD = 0xFFFF_FFFF


def image_size(patch: bytes) -> int:
    """Return the size that a patch says itself; to be compared with the signed one, which counts."""
    return int.from_bytes(patch[1:4], "big") + 1


def apply_patch(patch: bytes, old: bytes, size: int, entries: int = max(layout.TABLE_ENTRIES)) -> bytes | Spoiled:
    """Return the new image of so many bytes, or why the patch does not make one. Its digest is not looked at here."""
    reader = _Reader(patch, old, size, entries)
    try:
        reader.run()
    except _NoPatch as no:
        return Spoiled(str(no), min(reader.at, len(patch)), len(reader.new))
    return bytes(reader.new)


class _Reader:
    def __init__(self, patch: bytes, old: bytes, size: int, entries: int) -> None:
        self.patch, self.old, self.size, self.room = patch, old, size, entries
        self.new = bytearray()
        self.at = 0
        self.probability = [1 << layout.PROBABILITY_BITS - 1] * layout.PLACES
        self.range, self.code = 0xFFFF_FFFF, 0
        self.keys: tuple[list[int], list[int]] = [], []
        self.shifts: tuple[list[int], list[int]] = [], []
        self.missed = [0, 0, 0]
        self.frame: Frame | None = None

    def run(self) -> None:
        if max(len(self.old), self.size) > layout.IMAGE_BYTES:
            raise _NoPatch(f"images have at most {layout.IMAGE_BYTES} bytes")
        form = self.patch[0] if self.patch else 0
        if form not in layout.PREAMBLE:
            raise _NoPatch("the first byte is no version that is known")
        self.at = front = layout.PREAMBLE[form]
        if len(self.patch) < front:
            raise _NoPatch("it ends in its first bytes")
        words = struct.unpack_from(">3I" if form == layout.CODE else ">I", self.patch)
        if (words[0] & 0xFF_FFFF) + 1 != self.size:
            raise _NoPatch("it makes an image of another size")
        if form == layout.CODE:
            _, old, new = words
            if new >> 24 > 15:
                raise _NoPatch("there is no RAM of that size")
            self.frame = Frame(old << 8 & _WORD, new << 8 & _WORD, old & 0xFF00_0000, 4096 << (new >> 24))
        for _ in range(4):
            self.byte_in()
        if self.code >= self.range:
            raise _NoPatch("its first number is none that the coder writes")
        if self.frame and self.old:
            self.read_table(self.frame)
        self.read_image()
        if self.code:
            raise _NoPatch("something is left when the image is complete")
        if self.at < len(self.patch):
            raise _NoPatch("bytes are left when the image is complete")
        if self.at - 4 < len(self.patch) and len(self.patch) > front and not self.patch[-1]:
            raise _NoPatch("its last byte is a zero that is not needed")

    def byte_in(self) -> None:
        if self.at >= len(self.patch) + layout.TAIL:
            raise _NoPatch("it ends before the image does")
        self.code = self.code << 8 | (self.patch[self.at] if self.at < len(self.patch) else 0)
        self.at += 1

    def bit(self, place: int) -> int:
        p = self.probability[place]
        bound = (self.range >> layout.PROBABILITY_BITS) * p
        if self.code < bound:
            self.range = bound
            self.probability[place] += (1 << layout.PROBABILITY_BITS) - p >> layout.RATE
            value = 0
        else:
            self.range -= bound
            self.code -= bound
            self.probability[place] -= p >> layout.RATE
            value = 1
        while self.range < 1 << 24:
            self.range <<= 8
            self.byte_in()
        return value

    def direct(self, bits: int) -> int:
        self.range >>= bits
        value = self.code // self.range
        if value >> bits:
            raise _NoPatch("a number is none that the coder writes")
        self.code -= value * self.range
        while self.range < 1 << 24:
            self.range <<= 8
            self.byte_in()
        return value

    def byte(self, first: int) -> int:
        node = 1
        while node < 256:
            node = 2 * node + self.bit(first + node)
        return node - 256

    def number(self, which: int) -> int:
        first = layout.NUMBERS_AT + which * layout.NUMBER
        bits = 0
        while self.bit(first + bits):
            bits += 1
            if bits == layout.NUMBER_BITS:
                raise _NoPatch("a number has more than 25 bits")
        value = 1
        if bits > 1:
            value = 2 + self.bit(first + 23 + bits)
        between = bits - 2
        while between > 0:
            part = min(between, 8)
            value = value << part | self.direct(part)
            between -= part
        if bits:
            value = 2 * value + self.bit(first + layout.NUMBER - 1)
        return value - 1

    def signed(self, which: int, sign: int) -> int:
        negative = self.bit(layout.NEGATIVE + sign)
        return -self.number(which) if negative else self.number(which)

    def read_table(self, frame: Frame) -> None:
        room = self.room
        for part, first, moved in ((0, frame.old_base, frame.new_base - frame.old_base), (1, frame.ram, 0)):
            key, shift = first, moved
            count = self.number(layout.LENGTH)
            room -= count
            if room < 0:
                raise _NoPatch("the shift table has more entries than the device keeps")
            for _ in range(count):
                key += 2 * self.number(layout.DISTANCE)
                if key > _WORD:
                    raise _NoPatch("the shift table goes beyond the last address")
                shift += self.signed(layout.SHIFT, 0)
                self.keys[part].append(key)
                self.shifts[part].append(shift & _WORD)

    def read_image(self) -> None:
        new, old = self.new, self.old
        shift, from_new, old_end, literals = 0, 0, 0, 3
        while len(new) < self.size:
            if not self.bit(layout.IS_COPY + literals):
                source = len(new) + shift
                if literals == 0 and 0 <= source < (len(new) if from_new else len(old)):
                    new.append((new if from_new else old)[source] + self.byte(layout.DIFFERENCE) & 255)
                else:
                    new.append(self.byte(layout.LITERAL + 256 * (len(new) & 1)))
                literals = min(3, literals + 1)
                continue
            if literals == 0 or self.bit(layout.AGAIN + literals):
                from_new = self.bit(layout.FROM_NEW + (literals > 0))
                if from_new:
                    source = len(new) - self.number(layout.DISTANCE)
                else:
                    source = self.old_source(len(new) + shift, old_end)
                shift = source - len(new)
            source = len(new) + shift
            length = self.number(layout.NEW_LENGTH if from_new else layout.LENGTH) + 1
            literals = 0
            if length > self.size - len(new):
                raise _NoPatch("a copy is longer than what is missing of the image")
            if from_new:
                if source < 0:
                    raise _NoPatch("a copy begins in front of the image")
                if shift == 0:
                    for _ in range(length):
                        new.append(self.direct(8))
                    continue
            elif source < 0 or source + length > len(old):
                raise _NoPatch("a copy reaches beyond the old image")
            else:
                old_end = source + length
            self.copy(source, length, from_new)

    def old_source(self, expected: int, old_end: int) -> int:
        if not self.bit(layout.GOES_ON):
            return expected + self.signed(layout.SHIFT, 0)
        if not self.bit(layout.GOES_ON + 1):
            return old_end
        keys = self.keys[0]
        base = self.frame.old_base if self.frame else 0
        i = bisect_left(keys, base + old_end)
        if i == len(keys):
            raise _NoPatch("a copy begins at an entry that the shift table does not have")
        return keys[i] - base

    def copy(self, source: int, length: int, from_new: int) -> None:
        """Copy bytes, and move the address fields among them."""
        new = self.new
        image: bytes | bytearray = new if from_new else self.old
        frame, distance, end = self.frame, len(new) - source, source + length
        if frame is None or distance & 1:
            for at in range(source, end):
                new.append(image[at])
            return
        block = range(source, end)
        at = source
        while at < end:
            if at & 1 or at + 1 == end:
                new.append(image[at])
                at += 1
            elif at + 4 <= min(end, len(new) if from_new else end) and self.field(frame, at, distance, block, from_new):
                at += 4
            else:
                new += image[at : at + 2]
                at += 2

    def field(self, frame: Frame, at: int, distance: int, block: range, from_new: int) -> bool:
        """Read where the field at an offset of the source points to now, if there is one, and write it."""
        image, base = (self.new, frame.new_base) if from_new else (self.old, frame.old_base)
        size = self.size if from_new else len(self.old)
        word = int.from_bytes(image[at : at + 4], "little")
        a, b = word & 0xFFFF, word >> 16
        if not from_new and not at & 3 and (word - base & _WORD < size or _in_ram(frame, word)):
            if distance & 3:
                return False
            kind, target = layout.WORD, word
        else:
            if not (0xF000 <= a < 0xF800 and b & 0x9000 == 0x9000):
                return False
            offset = called(a, b, at)
            if not 0 <= offset < size:
                return False
            kind, target = layout.NEW_CALL if from_new else layout.CALL, base + offset & _WORD
        plain = distance + (0 if from_new else frame.new_base - frame.old_base) & _WORD
        if from_new:
            shift, context = 0, 0
        elif target - base & _WORD in block:
            shift, context = plain, 0
        else:
            shift = self.foreseen(frame, target)
            context = 2 if shift == plain else 4
        now = self.pointed(kind, target, shift, 0 if kind == layout.WORD else plain, context)
        self.new += (now & _WORD).to_bytes(4, "little") if kind == layout.WORD else self.call(frame, now, b)
        return True

    def foreseen(self, frame: Frame, target: int) -> int:
        part = int(_in_ram(frame, target))
        i = bisect_right(self.keys[part], target)
        return self.shifts[part][i - 1] if i else 0 if part else frame.new_base - frame.old_base & _WORD

    def pointed(self, kind: int, target: int, shift: int, unmoved: int, context: int) -> int:
        guess = target + shift & (_WORD if kind == layout.WORD else _WORD - 1)
        missed = self.bit(layout.MISSED + 6 * kind + context + self.missed[kind])
        self.missed[kind] = missed
        if missed:
            as_it_stood = target + unmoved & _WORD
            if guess != as_it_stood and not self.bit(layout.CORRECTED + kind):
                return as_it_stood
            if kind == layout.WORD:
                return guess + self.signed(layout.WORD_OFF, 1 + kind)
            return guess + 2 * self.signed(layout.CALL_OFF, 1 + kind)
        return guess

    def call(self, frame: Frame, target: int, b: int) -> bytes:
        v = target - (frame.new_base + len(self.new) + 4)
        sign = v >> 24 & 1
        first = 0xF000 | sign << 10 | v >> 12 & 0x3FF
        second = b & 0xD000 | (~(v >> 23 ^ sign) & 1) << 13 | (~(v >> 22 ^ sign) & 1) << 11 | v >> 1 & 0x7FF
        return (first | second << 16).to_bytes(4, "little")


def _in_ram(frame: Frame, address: int) -> bool:
    return address - frame.ram & _WORD < frame.ram_size


def called(a: int, b: int, address: int) -> int:
    """Return what BL or B.W at an address jumps to."""
    sign = a >> 10 & 1
    high = (0 if sign else 1) ^ (b >> 13 & 1)
    low = (0 if sign else 1) ^ (b >> 11 & 1)
    return address + 4 + (high << 23 | low << 22 | (a & 0x3FF) << 12 | (b & 0x7FF) << 1) - (sign << 24)
