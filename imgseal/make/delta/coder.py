"""The range coder that writes: decisions by adaptive probabilities, and numbers made of them."""

from imgseal.formats.delta.layout import (
    NEGATIVE,
    NUMBER,
    NUMBER_BITS,
    NUMBERS_AT,
    PLACES,
    PROBABILITY_BITS,
    RATE,
    TAIL,
)

_ONE = 1 << PROBABILITY_BITS
_TOP, _ALL = 1 << 24, 0xFFFF_FFFF


class Coder:
    """Writes decisions; `finish` returns the bytes."""

    __slots__ = ("_low", "_out", "_range", "p")

    def __init__(self) -> None:
        self._low, self._range = 0, _ALL
        self._out = bytearray()
        self.p = [_ONE >> 1] * PLACES

    def _emit(self) -> None:
        """Move the highest byte out; a carry goes into those that are out already."""
        out, low = self._out, self._low
        if low > _ALL:
            i = len(out) - 1
            while out[i] == 0xFF:
                out[i] = 0
                i -= 1
            out[i] += 1
        out.append(low >> 24 & 0xFF)
        self._low = (low & 0xFF_FFFF) << 8

    def bit(self, place: int, value: int) -> None:
        """Write a decision."""
        p = self.p[place]
        bound = (self._range >> PROBABILITY_BITS) * p
        if value:
            self._low += bound
            self._range -= bound
            self.p[place] = p - (p >> RATE)
        else:
            self._range = bound
            self.p[place] = p + (_ONE - p >> RATE)
        while self._range < _TOP:
            self._range <<= 8
            self._emit()

    def direct(self, value: int, bits: int) -> None:
        """Write up to eight bits that are as likely as not."""
        self._range >>= bits
        self._low += self._range * value
        while self._range < _TOP:
            self._range <<= 8
            self._emit()

    def byte(self, first: int, value: int) -> None:
        """Write a byte, each of its bits after those above it."""
        node = 1
        for shift in range(7, -1, -1):
            bit = value >> shift & 1
            self.bit(first + node, bit)
            node = node << 1 | bit

    def number(self, which: int, value: int) -> None:
        """Write a number: how many bits it has, the second, those between, the last."""
        first = NUMBERS_AT + which * NUMBER
        value += 1
        bits = value.bit_length() - 1
        assert 0 <= bits < NUMBER_BITS
        for i in range(bits):
            self.bit(first + i, 1)
        self.bit(first + bits, 0)
        if not bits:
            return
        rest = bits - 1
        if rest:
            rest -= 1
            self.bit(first + 23 + bits, value >> bits - 1 & 1)
        while rest:
            part = min(rest, 8)
            rest -= part
            self.direct(value >> rest + 1 & (1 << part) - 1, part)
        self.bit(first + NUMBER - 1, value & 1)

    def signed(self, which: int, sign: int, value: int) -> None:
        """Write a number that may be negative."""
        self.bit(NEGATIVE + sign, int(value < 0))
        self.number(which, abs(value))

    def written(self) -> int:
        """Return how many bits are written so far, in full ones."""
        return 8 * len(self._out) + 32 - self._range.bit_length()

    def finish(self) -> bytes:
        """Return the bytes: the low end, so that a reader is left with nothing, less zeros that it adds by itself."""
        decided = len(self._out)
        for _ in range(TAIL):
            self._emit()
        while len(self._out) > decided and not self._out[-1]:
            self._out.pop()
        return bytes(self._out)
