"""Repeatable noise: what unreliable flash reads as, and where an operation is torn.

It follows from a seed text, never from the clock. What is unreliable reads otherwise from read to read, or one way
until the next reset and another way after it: its *mood*. Common practice, no source.
"""

from hashlib import blake2b

from imgseal.records import NamedTuple

ERASED, HELD, BETWEEN, PART, MIXED, ERROR = "erased", "held", "between", "part", "mixed", "error"
"""As erased; as the cut left it, or as before a cut erase; anything between; held up to a place and erased behind it;
each unit in its own way; an error."""


class Mood(NamedTuple):
    """What unreliable bytes of a block read as until the next reset.

    `weak` is for those whose erase was cut, `torn` for units that were programmed; `part` is where what is held ends,
    and `seed` says what is read between.
    """

    weak: str
    torn: str
    part: int
    seed: bytes


class Noise:
    """A stream of numbers that follows from a seed text; the same on every machine."""

    __slots__ = ("_block", "_count", "_moods", "_seed", "_taken")

    def __init__(self, seed: str) -> None:
        self._seed = seed.encode()[:64]
        self._count = 0
        self._block = b""
        self.reset()

    def reset(self) -> None:
        """A reset: whatever was unreliable may read otherwise from here on."""
        self._moods: dict[object, Mood | None] = {}
        self._taken: dict[int, bool | None] = {}

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

    def mood(self, key: object, size: int, *, faults: bool) -> Mood | None:
        """Return the mood of a block of so many bytes; None where each read may give something else."""
        if key not in self._moods:
            self._moods[key] = self._drawn(size, faults=faults) if self.below(2) else None
        return self._moods[key]

    def _drawn(self, size: int, *, faults: bool) -> Mood:
        weak = (ERASED, ERASED, HELD, BETWEEN, PART)[self.below(5)]
        torn = (HELD, HELD, HELD, HELD, HELD, ERASED, MIXED, MIXED)[self.below(8)]
        failing = self.below(8) if faults else 0
        weak, torn = ERROR if failing & 3 == 3 else weak, ERROR if failing == 7 else torn
        return Mood(weak, torn, self.below(size), self.bytes(16))

    def has_taken(self, component: int) -> bool:
        """Say whether the torn counter of a component reads as raised this time."""
        if component not in self._taken:
            self._taken[component] = (False, True, None, None)[self.below(4)]
        steady = self._taken[component]
        return bool(self.below(2)) if steady is None else steady

    def octets(self, count: int) -> bytes:
        """Return what so many calls of `below(256)` would."""
        return self._words(count)[7::8]

    def bytes(self, count: int) -> bytes:
        """Return `count` bytes."""
        words = (self.below(1 << 32).to_bytes(4, "big") for _ in range(-(-count // 4)))
        return b"".join(words)[:count]
