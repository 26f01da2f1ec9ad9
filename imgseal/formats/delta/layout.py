"""What encoder and decoder of patches have in common: numbers of docs/format/delta.md, and no code that codes.

Probabilities stand in one row, each with a place; `NUMBERS` classes of numbers have `NUMBER` places each.
"""

from imgseal.records import NamedTuple

CODE, PLAIN = 1, 2
"""The first byte: version 1 of the format with the model of code, or without."""

PREAMBLE = {CODE: 12, PLAIN: 4}
"""Bytes in front of what the coder wrote."""

IMAGE_BYTES = 1 << 24
"""The largest old or new image."""

TABLE_ENTRIES = (64, 128, 256)
"""Entries of the shift table that devices are built for."""

PROBABILITY_BITS, RATE = 15, 4
"""A probability is a number of 15 bits, and moves a sixteenth of its way."""

NUMBER_BITS = 25
"""A number and one is less than 2 to this power."""

LITERAL, DIFFERENCE, IS_COPY, AGAIN, FROM_NEW, GOES_ON, MISSED, NEGATIVE, CORRECTED = (
    0, 512, 768, 772, 776, 778, 780, 798, 802,
)  # fmt: skip
"""First places of the probabilities."""

NUMBER, NUMBERS_AT = 49, 805
LENGTH, NEW_LENGTH, DISTANCE, SHIFT, CALL_OFF, WORD_OFF = range(6)
"""Classes of numbers."""

PLACES = NUMBERS_AT + 6 * NUMBER

CALL, WORD, NEW_CALL = range(3)
"""Kinds of address fields: a call or far branch and an aligned word of the old image, a call of the new one."""

TAIL = 4
"""Bytes that the coder is ahead of what it has decided."""


class Frame(NamedTuple):
    """Where old and new image run, and what RAM their words may point to; data has none.

    Images begin at multiples of 256, RAM at one of 16 MiB; it has 4,096 bytes times a power of two.
    """

    old_base: int
    new_base: int
    ram: int
    ram_size: int


def preamble(size: int, frame: Frame | None) -> bytes:
    """Return the bytes in front of a patch that makes an image of so many bytes."""
    words = [(PLAIN if frame is None else CODE) << 24 | size - 1]
    if frame:
        words += [frame.ram | frame.old_base >> 8, frame.ram_size.bit_length() - 13 << 24 | frame.new_base >> 8]
    return b"".join(word.to_bytes(4, "big") for word in words)
