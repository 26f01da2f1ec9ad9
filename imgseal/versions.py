"""Versions: `X.Y.Z`, optionally `-alpha.N`, `-beta.N` or `-rc.N`; parse, order, pack.

The stages are the three that the SUIT version type can carry (update-management draft -14: negative numbers,
alpha -3, beta -2, release candidate -1; tests/vectors/suit-versions.json). Order is that of SemVer 2.0.0 clause 11;
there is no build part.
"""

from typing import Self

from imgseal.records import NamedTuple

ALPHA, BETA, CANDIDATE, RELEASED = 1, 2, 3, 255
STAGE_NUMBER_LIMIT = 0xFF_FFFF  # 24 bits beside the stage byte, so that a version packs into four words

_NAMES = {"alpha": ALPHA, "beta": BETA, "rc": CANDIDATE}
_WORDS = {value: name for name, value in _NAMES.items()}
_SUIT = {ALPHA: -3, BETA: -2, CANDIDATE: -1}


def decimal(text: str, limit: int) -> int | None:
    """Read a decimal number without sign, blanks or leading zeros; None for anything else or above the limit.

    The length is bounded before `int` sees it: Python refuses thousands of digits with an error of its own.
    """
    if not (text.isascii() and text.isdigit()) or (text[0] == "0" and text != "0") or len(text) > 20:
        return None
    value = int(text)
    return value if value <= limit else None


class Version(NamedTuple):
    """A version; tuple order is version order.

    `major`, `minor` and `patch` are 0..2**32-1; `stage` is ALPHA, BETA, CANDIDATE or RELEASED; `number` counts
    within a stage (0..2**24-1) and is 0xFFFFFF when released, so that the packed words order as well.
    """

    major: int
    minor: int
    patch: int
    stage: int = RELEASED
    number: int = STAGE_NUMBER_LIMIT

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read `2.4.1` or `2.4.1-rc.3`; raise ValueError for anything else (leading zeros, build parts, blanks)."""
        core, dash, tail = text.partition("-")
        numbers = [decimal(part, 0xFFFF_FFFF) for part in core.split(".")]
        name, dot, count = tail.partition(".")
        number = decimal(count, STAGE_NUMBER_LIMIT - 1) if dot else None
        if len(numbers) != 3 or None in numbers or (dash and (name not in _NAMES or number is None)):
            raise ValueError(
                f"{text!r} is not a version such as 2.4.1 or 2.4.1-rc.3, with numbers up to 4294967295"
                f" and stages up to {STAGE_NUMBER_LIMIT - 1}"
            )
        major, minor, patch = (value for value in numbers if value is not None)
        if number is None:
            return cls(major, minor, patch)
        return cls(major, minor, patch, _NAMES[name], number)

    def __str__(self) -> str:
        core = f"{self.major}.{self.minor}.{self.patch}"
        return core if self.stage == RELEASED else f"{core}-{_WORDS[self.stage]}.{self.number}"

    def words(self) -> tuple[int, int, int, int]:
        """Return four 32-bit words whose order is the order of versions; a release ends in 0xFFFFFFFF."""
        return (self.major, self.minor, self.patch, self.stage << 24 | self.number)

    @classmethod
    def from_words(cls, words: tuple[int, int, int, int]) -> Self:
        """Take four packed words apart; raise ValueError for a stage word that no version packs to."""
        major, minor, patch, word = words
        stage, number = word >> 24, word & 0xFF_FFFF
        if stage == RELEASED:
            if number != STAGE_NUMBER_LIMIT:
                raise ValueError(f"stage word 0x{word:08x} of a released version is not 0xffffffff")
        elif stage not in _WORDS or number == STAGE_NUMBER_LIMIT:
            raise ValueError(f"stage word 0x{word:08x} names no known stage")
        return cls(major, minor, patch, stage, number)

    def suit(self) -> list[int]:
        """Return the list that SUIT carries: three numbers, and for a stage its negative code and number."""
        core = [self.major, self.minor, self.patch]
        return core if self.stage == RELEASED else [*core, _SUIT[self.stage], self.number]

    @classmethod
    def from_suit(cls, numbers: list[int]) -> Self:
        """Read SUIT's list back; raise ValueError where it is not one that `suit()` makes."""
        stages = {code: stage for stage, code in _SUIT.items()}
        core, tail = numbers[:3], numbers[3:]
        if len(core) != 3 or any(not 0 <= n <= 0xFFFF_FFFF for n in core):
            raise ValueError(f"{numbers} is not three numbers of 32 bits and an optional stage")
        if not tail:
            return cls(core[0], core[1], core[2])
        if len(tail) != 2 or tail[0] not in stages or not 0 <= tail[1] < STAGE_NUMBER_LIMIT:
            raise ValueError(f"{numbers} has a stage that is not -3, -2 or -1 followed by its number")
        return cls(core[0], core[1], core[2], stages[tail[0]], tail[1])


def suit_words(numbers: tuple[int, ...] | None) -> str | None:
    """Return the version that a manifest carries as text; bare numbers where they make none, None where it has none."""
    if numbers is None:
        return None
    try:
        return str(Version.from_suit(list(numbers)))
    except ValueError:
        return ".".join(map(str, numbers))
