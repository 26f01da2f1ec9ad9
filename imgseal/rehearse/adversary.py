"""An adversary in place of noise: each thing that reads unreliably is asked for, and every answer can be played.

A thing is a torn unit, a block whose erase was cut short, or a torn counter. docs/format/flash-model.md says what an
answer stands for.
"""

from collections.abc import Callable, Mapping

from imgseal.formats.sealed_image.layout import MAGIC, STATEMENT
from imgseal.product.model import Memory
from imgseal.records import NamedTuple
from imgseal.rehearse.contents import Block
from imgseal.rehearse.noise import ERASED, ERROR, HELD, PART, Noise

__all__ = ["ERASED", "ERROR", "HELD", "PART", "WRONG", "At", "Script"]

WRONG = "wrong"
"""Beside held (as the cut left it, or as before a cut erase), erased, with its second half erased, and an error: with
one bit wrong."""

FIELDS = {
    field.name: (field.offset, field.size)
    for field in STATEMENT.fields
    if field.name in ("payload_size", "header_block")
}
"""Answers for a block whose erase was cut short where an image's header begins: as before, but that field as erased.

These are compared before the signature is verified, so that one wrong value does not stand for all: this is the
outermost one.
"""

BLOCK = -1
"""In place of a unit: all of a block whose erase was cut short."""

COUNTER = "#counter"
"""In place of a memory: the torn counter of the component with that number."""


class Thing(NamedTuple):
    """What reads unreliably: memory, block and unit; or a counter. `turn` counts its reads where they may differ."""

    memory: str
    number: int
    unit: int
    turn: int = 0

    def __str__(self) -> str:
        if self.memory == COUNTER:
            what = f"counter of component {self.number}"
        else:
            what = f"{self.memory} block {self.number}" + ("" if self.unit == BLOCK else f" unit {self.unit}")
        return what if not self.turn else f"{what} (read {self.turn + 1})"


Answers = Mapping[Thing, str]
"""What things read as between two resets; one that is not named reads as held."""

Choices = Callable[[Thing, tuple[str, ...], Block], tuple[str, ...]]
"""Leaves of the answers for a thing those that the device's code can tell apart; the first one is the usual one."""


def every(_thing: Thing, answers: tuple[str, ...], _block: Block) -> tuple[str, ...]:
    """Leave all answers."""
    return answers


class Asked(NamedTuple):
    """A thing that was read, as what, what else it could have been, and the marks and operations passed by then."""

    thing: Thing
    answer: str
    others: tuple[str, ...]
    marks: int
    operations: int


class Script(Noise):
    """Answers of one session, from a reset to the next; what was asked beyond them is noted.

    A thing reads alike from reset to reset. With `changing` one of all reads of a session may begin to give another
    answer for its thing.
    """

    def __init__(self, answers: Answers, choices: Choices = every, *, changing: bool = False) -> None:
        super().__init__("script")
        self._answers = answers
        self._choices = choices
        self._changing = changing
        self._turns: dict[Thing, int] = {}
        self._now: dict[Thing, str] = {}
        self.changed = any(thing.turn for thing in answers)
        self.asked: list[Asked] = []
        self.given_first: dict[Thing, str] = {}
        self.marks = self.operations = 0

    @property
    def used(self) -> bool:
        """Whether something unreliable was read."""
        return bool(self._now)

    @property
    def given(self) -> dict[Thing, str]:
        """What was answered last of each thing that was asked for."""
        return dict(self._now)

    def _answer(self, thing: Thing, options: tuple[str, ...]) -> str:
        turn = self._turns[thing] = self._turns.get(thing, -1) + 1
        if turn:
            now = self._now[thing]
            if not self._changing:
                return now
            this = thing._replace(turn=turn)
            if this in self._answers:
                now = self._now[thing] = self.given_first[this] = self._answers[this]
            elif not self.changed and len(options) > 1:
                self.asked.append(
                    Asked(this, now, tuple(each for each in options if each != now), self.marks, self.operations)
                )
            return now
        if thing in self._answers:
            now = self._answers[thing]
        else:
            now = options[0]
            if len(options) > 1:
                self.asked.append(Asked(thing, now, options[1:], self.marks, self.operations))
        self._now[thing] = self.given_first[thing] = now
        return now

    def ask(self, memory: str, number: int, unit: int, part: Memory, block: Block) -> str:
        """Return what a unit, or a block whose erase was cut short, reads as."""
        thing = Thing(memory, number, unit)
        answers = (HELD, ERASED, WRONG, *((PART,) if unit == BLOCK else ()), *((ERROR,) if part.faults else ()))
        if unit == BLOCK and block.read(0, len(MAGIC)) == MAGIC:
            answers += tuple(FIELDS)
        return self._answer(thing, self._choices(thing, answers, block))

    def has_taken(self, component: int) -> bool:
        """Say whether a torn counter reads as raised."""
        return self._answer(Thing(COUNTER, component, 0), (HELD, ERASED)) == HELD

    def forks(self, given: Answers) -> list[tuple[dict[Thing, str], int, int]]:
        """Return each script that differs from this one, played with these answers, in one more answer.

        With each come the marks and operations that its session passes as this one did.
        """
        out = []
        known = dict(given)
        for thing, answer, others, marks, operations in self.asked:
            out += [({**known, thing: other}, marks, operations) for other in others]
            if not thing.turn:
                known[thing] = answer
        return out


class At(Noise):
    """Tears a program call at one of its units, the last one at the most."""

    def __init__(self, unit: int) -> None:
        super().__init__("at")
        self._unit = unit

    def below(self, limit: int) -> int:
        """Return the unit."""
        return min(self._unit, limit - 1)
