"""What unreliable flash reads as: torn units, and blocks whose erase was cut short. Common practice, no source.

As it was meant, as erased, as anything between, or as an error: from read to read, one way until the next reset, or as
an adversary says.
"""

from hashlib import shake_256

from imgseal.product.model import Memory
from imgseal.rehearse.adversary import BLOCK, ERASED, ERROR, FIELDS, HELD, PART, WRONG, Script
from imgseal.rehearse.contents import Block, Key
from imgseal.rehearse.noise import BETWEEN, MIXED, Mood, Noise


class FlashReadError(Exception):
    """An ECC memory reports that a unit cannot be read."""


def programmed(old: bytes, new: bytes, erased: int) -> bytes:
    """Return flash with something else programmed over it: bits only leave the erased value."""
    one, other = int.from_bytes(old, "little"), int.from_bytes(new, "little")
    return (one & other if erased else one | other).to_bytes(len(old), "little")


def read(noise: Noise, key: Key, part: Memory, block: Block, start: int, count: int) -> bytes:
    """Read bytes of a block, some of which are unreliable."""
    if isinstance(noise, Script):
        return _as_told(noise, key, part, block, start, count)
    if not block.weak and not _torn(part, block, start, count):
        return block.read(start, count)
    mood = noise.mood(key, part.erase_block, faults=part.faults)
    if mood is None:
        return _changing(noise, part, block, start, count)
    return _steady(mood, part, block, start, count)


def _torn(part: Memory, block: Block, start: int, count: int) -> list[int]:
    """Return the numbers of torn units in a range, ascending."""
    first = start // part.write_unit
    torn = block.torn >> first & (1 << -(-(start + count) // part.write_unit) - first) - 1
    out = []
    while torn:
        lowest = torn & -torn
        torn ^= lowest
        out.append(first + lowest.bit_length() - 1)
    return out


def _steady(mood: Mood, part: Memory, block: Block, start: int, count: int) -> bytes:
    """Read as the mood of the block says, alike each time."""
    pattern = shake_256(mood.seed).digest(part.erase_block) if {mood.weak, mood.torn} & {BETWEEN, MIXED} else b""

    def one_way(how: str, held: bytes, at: int) -> bytes:
        if how == ERROR:
            raise FlashReadError(f"{part.name}: uncorrectable")
        if how == BETWEEN:
            return programmed(held, pattern[at : at + len(held)], part.fill ^ 0xFF)
        kept = len(held) if how == HELD else max(mood.part - at, 0) if how == PART else 0
        return held[:kept] + bytes([part.fill]) * (len(held) - kept)

    held, unit = block.read(start, count), part.write_unit
    out = bytearray(one_way(mood.weak, held, start) if block.weak else held)
    for number in _torn(part, block, start, count):
        low, high = max(number * unit, start), min((number + 1) * unit, start + count)
        how = (ERASED, HELD, BETWEEN)[pattern[number * unit] % 3] if mood.torn == MIXED else mood.torn
        out[low - start : high - start] = one_way(how, held[low - start : high - start], low)
    return bytes(out)


def _changing(noise: Noise, part: Memory, block: Block, start: int, count: int) -> bytes:
    """Read so that each read may give something else."""
    held, unit, end, below = block.read(start, count), part.write_unit, start + count, noise.below
    out, first = bytearray(held), start // part.write_unit

    def read_as(number: int, how: int) -> None:
        """Read a unit as erased (0), as what it holds (1), or as anything between (2)."""
        low, high = max(number * unit, start) - start, min((number + 1) * unit, end) - start
        piece = held[low:high]
        drawn = noise.octets(len(piece))  # in any case, so that the next unit gets the same numbers
        between = how == 2
        out[low:high] = (
            programmed(piece, drawn, part.fill ^ 0xFF) if between else piece if how else bytes([part.fill]) * len(piece)
        )

    if block.weak:
        # units nobody has programmed since read as erased, as before, or as anything; a whole read mostly alike,
        # so that a block can look erased, or look whole
        mood = below(4)
        if mood == 3 and part.faults:
            raise FlashReadError(f"{part.name}: uncorrectable")
        for number in range(first, -(-end // unit)):
            if not (part.once and block.done >> number & 1):
                read_as(number, (mood if below(16) else below(3)) % 3)
    for number in _torn(part, block, start, count):
        mood = below(4)
        if mood == 0 and part.faults:
            raise FlashReadError(f"{part.name}: uncorrectable")
        read_as(number, (1, 1, 0, 2)[mood])
    return bytes(out)


def _as_told(script: Script, key: Key, part: Memory, block: Block, start: int, count: int) -> bytes:
    """Read torn units, or a block whose erase was cut short, as an adversary says."""
    if block.weak:
        return _as_answered(part, block.data, script.ask(*key, BLOCK, part, block))[start : start + count]
    held, unit, end = block.read(start, count), part.write_unit, start + count
    out = bytearray(held)
    for number in _torn(part, block, start, count):
        data = _as_answered(part, block.read(number * unit, unit), script.ask(*key, number, part, block))
        low, high = max(number * unit, start), min((number + 1) * unit, end)
        out[low - start : high - start] = data[low - number * unit : high - number * unit]
    return bytes(out)


def _as_answered(part: Memory, held: bytes, answer: str) -> bytes:
    """Return what was torn as an adversary answers; what it makes wrong is the last bit that was programmed."""
    erased = bytes([part.fill])
    if answer == ERROR:
        raise FlashReadError(f"{part.name}: uncorrectable")
    if answer == ERASED:
        return erased * len(held)
    used = len(held.rstrip(erased))
    if answer == HELD or not used:
        return held
    if answer in FIELDS:
        at, size = FIELDS[answer]
        return held[:at] + erased * size + held[at + size :]
    if answer == PART:
        return held[: used // 2] + erased * (len(held) - used // 2)
    assert answer == WRONG
    bits = held[used - 1] ^ part.fill
    return held[: used - 1] + bytes([held[used - 1] ^ (bits & -bits)]) + held[used:]
