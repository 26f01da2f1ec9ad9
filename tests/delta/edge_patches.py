"""Patches at the edge of what the format allows, and just beyond: the coder is told what to decide, and no image asks for it."""

from collections.abc import Iterator

from patch_batch import Case

from imgseal.formats.delta.layout import (
    AGAIN,
    CODE,
    CORRECTED,
    DISTANCE,
    FROM_NEW,
    GOES_ON,
    IS_COPY,
    LENGTH,
    LITERAL,
    MISSED,
    NEW_LENGTH,
    NUMBERS_AT,
    PLAIN,
    SHIFT,
    WORD,
    WORD_OFF,
    Frame,
    preamble,
)
from imgseal.make.delta.coder import Coder

BASE, RAM = 0x1_0000, 0x2000_0000
FRAME = Frame(BASE, BASE, RAM, 0x1_0000)
OLD = bytes(range(64)) * 4


def finished(coder: Coder, size: int, frame: Frame | None = FRAME, old: bytes = OLD, more: bytes = b"") -> Case:
    return Case(old, size, preamble(size, frame) + coder.finish() + more)


def with_table(entries: list[tuple[int, int]], ram: list[tuple[int, int]] | None = None) -> Coder:
    """A coder that has written the table: half-words on, and by how much the shift differs."""
    coder = Coder()
    for part in (entries, ram or []):
        coder.number(LENGTH, len(part))
        for step, shift in part:
            coder.number(DISTANCE, step)
            coder.signed(SHIFT, 0, shift)
    return coder


def literals(coder: Coder, data: bytes, at: int = 0, count: int = 3) -> int:
    """Write plain literals; return how many came since the last copy."""
    for byte in data:
        coder.bit(IS_COPY + count, 0)
        coder.byte(LITERAL + 256 * (at & 1), byte)
        at, count = at + 1, min(3, count + 1)
    return count


def copy(coder: Coder, count: int, source: int | None, length: int, distance: int = 0) -> None:
    """Begin a copy, of the old image by a shift, or with None of the new one."""
    coder.bit(IS_COPY + count, 1)
    if count:
        coder.bit(AGAIN + count, 1)
    coder.bit(FROM_NEW + (count > 0), int(source is None))
    if source is None:
        coder.number(DISTANCE, distance)
    else:
        coder.bit(GOES_ON, 0)
        coder.signed(SHIFT, 0, source)
    coder.number(LENGTH if source is not None else NEW_LENGTH, length - 1)


def edge_patches() -> Iterator[Case]:
    """Yield them; what both decoders make of them has to be the same."""
    for size in (1, 255, 256, 257, 511, 512, 513):  # ends of pages
        coder = Coder()
        literals(coder, bytes(i * 7 & 255 for i in range(size)))
        yield finished(coder, size, None, b"")
        coder = Coder()
        literals(coder, bytes(size))
        yield finished(coder, size, None, b"")
        for extra in (b"\0", b"\0\0\0\0", b"\0\0\0\0\0", b"\1"):
            coder = Coder()
            literals(coder, bytes(size))
            yield finished(coder, size, None, b"", extra)
        coder = Coder()
        literals(coder, bytes(size))
        whole = finished(coder, size, None, b"")
        yield whole._replace(patch=whole.patch[:-1])
    for length in (len(OLD), len(OLD) + 1):  # all of the old image, and one byte more
        for source in (0, 1):
            coder = with_table([])
            copy(coder, 3, source, length - source)
            yield finished(coder, length - source)
    for source in (len(OLD), len(OLD) + 1, -1, 1 << 24):
        coder = with_table([])
        copy(coder, 3, source, 1)
        yield finished(coder, 1)
    for entries in (127, 128, 129):
        for shared in (0, 40):
            coder = with_table([(1, 2)] * (entries - shared), [(1, 4)] * shared)
            literals(coder, b"vent")
            yield finished(coder, 4)
    for few in (
        list[tuple[int, int]](),
        [(4, 0)],
        [(1000, 0)],
    ):  # goes on at an entry, which may not be there, or not in the image
        coder = with_table(few)
        for place, value in ((IS_COPY + 3, 1), (AGAIN + 3, 1), (FROM_NEW + 1, 0), (GOES_ON, 1), (GOES_ON + 1, 1)):
            coder.bit(place, value)
        coder.number(LENGTH, 9)
        yield finished(coder, 10)
    for step in ((1 << 25) - 2, 1 << 20):  # beyond the last address
        coder = with_table([(step, 0)] * 100)
        literals(coder, b"vent")
        yield finished(coder, 4)
    for distance, length in ((1, 300), (2, 300), (3, 300), (4, 300), (256, 300), (257, 10), (300, 40), (301, 4)):
        for frame in (FRAME, None):
            coder = with_table([]) if frame else Coder()
            # calls of BASE + 4 to BASE + 300: written bytes that look like fields
            count = literals(coder, bytes.fromhex("00f002f8") * 75)
            copy(coder, count, None, length, distance)
            if frame and not distance & 1:
                for _ in range(400):  # whatever is asked for: decided as if nothing had changed
                    coder.bit(MISSED + 12, 0)
            yield finished(coder, 300 + length, frame)
    for distance in (4, 5, 6, 300):  # as far back as the image goes, and further
        coder = Coder()
        count = literals(coder, b"vent")
        copy(coder, count, None, 3, distance)
        yield finished(coder, 7, None, b"")
    coder = with_table([])
    count = literals(coder, bytes.fromhex("00f002f8") * 75 + bytes.fromhex("00f0"))
    copy(coder, count, None, 40, 2)  # the second half of what looks like a call is not written yet
    yield finished(coder, 342)
    coder = Coder()
    coder.number(LENGTH, 1)
    for place in [NUMBERS_AT + 49 * DISTANCE + i for i in range(25)]:
        coder.bit(place, 1)
    coder.bit(NUMBERS_AT + 49 * DISTANCE + 25, 0)  # as if a number had 26 bits
    coder.bit(NUMBERS_AT + 49 * DISTANCE + 48, 0)
    for bits in (8, 8, 7):
        coder.direct(0, bits)
    coder.bit(NUMBERS_AT + 49 * DISTANCE + 48, 0)
    coder.signed(SHIFT, 0, 0)
    coder.number(LENGTH, 0)
    literals(coder, b"vent")
    yield finished(coder, 4)
    coder = Coder()
    count = literals(coder, b"vent")
    copy(coder, count, None, 3, 0)
    for value in b"set":
        coder.direct(value, 8)
    coder.bit(IS_COPY, 0)  # behind stored bytes: no difference to a byte that is not there
    coder.byte(LITERAL + 256, 0x21)
    yield finished(coder, 8, None, b"")
    for bits in (24, 25, 26):  # a number that has no end
        coder = Coder()
        count = literals(coder, b"vent")
        coder.bit(IS_COPY + count, 1)
        coder.bit(AGAIN + count, 1)
        coder.bit(FROM_NEW + 1, 1)
        for i in range(bits):
            coder.bit(NUMBERS_AT + 49 * DISTANCE + i, 1)
        for _ in range(60):
            coder.direct(255, 8)
        yield finished(coder, 90, None, b"")
    for correction in (5, -5, (1 << 25) - 2):  # words that are nothing of what is foreseen
        for entry in (8, -8):
            old = (RAM + 64).to_bytes(4, "little") * 4
            coder = with_table([], [(16, entry)])
            copy(coder, 3, 0, 16)
            history = 0
            for _ in range(4):
                coder.bit(MISSED + 6 * WORD + 4 + history, 1)
                coder.bit(CORRECTED + WORD, 1)
                coder.signed(WORD_OFF, 1 + WORD, correction)
                history = 1
            yield finished(coder, 16, FRAME, old)
    for ram in (0x2400_0000, 0x1000_0000):  # words of RAM that lies elsewhere
        frame, old = Frame(BASE, BASE, ram, 0x1_0000), (ram + 64).to_bytes(4, "little") * 4
        coder = with_table([], [(16, 8)])
        copy(coder, 3, 0, 16)
        for _ in range(4):
            coder.bit(MISSED + 6 * WORD + 4, 0)
        yield finished(coder, 16, frame, old)
    for word, context, frame in (
        (0x10, 0, Frame(0xFFFF_FF00, 0xFFFF_FF00, RAM, 0x1_0000)),  # an image, and RAM, that go on at address 0
        (0x40, 2, Frame(BASE, BASE, 0xFF00_0000, 4096 << 15)),
    ):
        coder = with_table([])
        copy(coder, 3, 0, 512)
        for _ in range(128):
            coder.bit(MISSED + 6 * WORD + context, 0)
        yield finished(coder, 512, frame, word.to_bytes(4, "little") * 128)
    for first in (b"\xff\xff\xff\xff", b"\xff\xff\xff\xfe", b"\x00\x00\x00\x00", b"\x7f\xff\xc0\x00"):
        yield Case(OLD, 5, preamble(5, FRAME) + first + bytes(range(1, 60)))
        yield Case(OLD, 5, preamble(5, None) + first + b"\xff" * 60)
    for front in (bytes((PLAIN, 0, 0)), bytes((CODE, 0, 0, 4)), bytes((CODE, 0, 0, 4)) + bytes(7)):
        yield Case(OLD, 5, front)
