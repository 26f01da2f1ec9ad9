"""Repeatable noise: what unreliable flash reads as, and where an operation is torn.

It follows from a seed text, never from the clock.
"""

from hashlib import blake2b


class Noise:
    """A stream of numbers that follows from a seed text; the same on every machine."""

    __slots__ = ("_block", "_count", "_seed")

    def __init__(self, seed: str) -> None:
        self._seed = seed.encode()[:64]
        self._count = 0
        self._block = b""

    def _words(self, count: int) -> bytes:
        """Take so many words of eight bytes from the stream."""
        size = 8 * count
        while len(self._block) < size:
            self._block += blake2b(self._count.to_bytes(8, "big"), key=self._seed).digest()
            self._count += 1
        words, self._block = self._block[:size], self._block[size:]
        return words

    @property
    def used(self) -> bool:
        """Whether a number was asked for."""
        return self._count > 0

    def below(self, limit: int) -> int:
        """Return a number from 0 to `limit` - 1; `limit` at most 2**32, the bias below 2**-31."""
        return int.from_bytes(self._words(1), "big") % limit

    def has_taken(self, _component: int) -> bool:
        """Say whether the torn counter of a component reads as raised this time."""
        return bool(self.below(2))

    def octets(self, count: int) -> bytes:
        """Return what so many calls of `below(256)` would."""
        return self._words(count)[7::8]

    def bytes(self, count: int) -> bytes:
        """Return `count` bytes."""
        words = (self.below(1 << 32).to_bytes(4, "big") for _ in range(-(-count // 4)))
        return b"".join(words)[:count]
