"""How many power cuts in a row a records slot survives: the journal alone, over places that hold whatever was torn.

`python tests/rehearse/journal_alone.py --places 4 --cuts 7` searches all of it: every life opens the journal, tidies and
commits in a loop and is cut at every operation; what is unreliable shows as many copies as the adversary likes at each
reset. It prints the shortest way to a lost record. What flash may do is that of docs/format/install-record.md, "The
journal"; common practice, no source.
"""

import argparse
import itertools
import sys
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1]))

from imgseal.formats.install_record.record import SETTLED, Record
from imgseal.formats.install_record.room import COPIES
from imgseal.rehearse.journal import Journal, NoPlaceError

EMPTY = Record(SETTLED, 0, 0, 0, 0, 0, 0, 0, 0, 0, None, 0, None, False, False, (), {}, {})
OLD, ACTED = 0, 1
"""Contents of records: none may come back that is older than the one acted upon; higher numbers are newer ones."""


class Held(NamedTuple):
    """What a place holds: a record, copies that are finished, and whether one more was torn or an erase cut short."""

    generation: int
    base: int
    copied: int
    content: int
    copies: int
    torn: bool
    weak: bool

    @property
    def shows(self) -> tuple[int, ...]:
        """Numbers of copies that it may show."""
        if self.weak:
            return tuple(range(self.copies + 1))
        return (self.copies, self.copies + 1) if self.torn else (self.copies,)

    def half_erased(self) -> "Held":
        return self._replace(copies=self.copies + self.torn, torn=False, weak=True)


State = tuple[Held | None, ...]
"""Places; None is erased."""


class Step(NamedTuple):
    """One life: how many copies each place showed, what was done last, and whether it was cut there."""

    shown: tuple[int, ...]
    what: str
    place: int | None
    cut: bool

    def __str__(self) -> str:
        where = "" if self.place is None else f" place {self.place}"
        return f"shown {' '.join(map(str, self.shown))}: {self.what}{where}{', cut' if self.cut else ''}"


def alone(journal: type[Journal], state: State, shown: tuple[int, ...]) -> Any:
    """The journal over places instead of flash; `log` has each operation with what a cut in it leaves."""

    class Alone(journal):  # type: ignore[misc, valid-type]
        def __init__(self) -> None:
            self.state = list(state)
            self.log: list[tuple[str, int, State]] = []
            self._places = len(state)
            self._tidy = False
            self._place = None
            self.record = None

        def _read(self, place: int, copy: int) -> Record | None:
            held = state[place]
            if held is None or copy >= shown[place]:
                return None
            return EMPTY._replace(generation=held.generation, base=held.base, copied=held.copied, sequence=held.content)

        def _cut(self, what: str, place: int, left: Held | None) -> None:
            self.log.append((what, place, (*self.state[:place], left, *self.state[place + 1 :])))

        def _erase(self, place: int) -> None:
            held = self.state[place]
            self._cut("erase", place, None if held is None else held.half_erased())
            self.state[place] = None

        def _write(self, place: int, record: Record) -> bool:
            assert self.state[place] is None, "written without an erase"
            for copy in range(COPIES):
                held = Held(record.generation, record.base, record.copied, record.sequence, copy, torn=True, weak=False)
                self._cut(f"write copy {copy + 1} to", place, held)
                self.state[place] = held._replace(copies=copy + 1, torn=False)
            return True

    return Alone()


def _ranks(values: set[int], first: int) -> dict[int, int]:
    """Renumber: the order stays, and which are neighbours."""
    out, now, before = {}, first, None
    for value in sorted(values):
        now += 0 if before is None else min(value - before, 2)
        out[value] = now
        before = value
    return out


def renumbered(state: State) -> State:
    """The same state with the lowest numbers: generations and `copied` are compared and counted up by one only."""
    held = [place for place in state if place is not None]
    generations = _ranks({number for place in held for number in place[:2]}, 1)
    copied = _ranks({0, *(place.copied for place in held)}, 0)
    contents = {OLD: OLD, ACTED: ACTED}
    for place in held:
        contents.setdefault(place.content, len(contents))
    return tuple(
        place
        and place._replace(
            generation=generations[place.generation],
            base=generations[place.base],
            copied=copied[place.copied],
            content=contents[place.content],
        )
        for place in state
    )


def _acted(state: State, content: int) -> State:
    """The state after a content was acted upon: all others are older now."""
    if content == ACTED:
        return state
    return tuple(place and place._replace(content=ACTED if place.content == content else OLD) for place in state)


def lives(journal: type[Journal], state: State) -> Iterator[tuple[Step, State | None]]:
    """Every life from a state: its last step, and what it leaves; None where a record is lost."""
    for shown in itertools.product(*((0,) if place is None else place.shows for place in state)):
        life = alone(journal, state, shown)
        try:
            record = life.open()
        except NoPlaceError:
            record = EMPTY._replace(sequence=ACTED)  # the device resets; nothing was acted upon
            stuck = True
        else:
            stuck = False
        for what, place, left in life.log:
            yield Step(shown, f"open, {what}", place, True), left
        if stuck:
            yield Step(shown, "no place, reset", None, False), tuple(life.state)
            continue
        if record is None or record.sequence == OLD:
            yield Step(shown, "no record" if record is None else "an older record", None, False), None
            continue
        now = _acted(tuple(life.state), record.sequence)
        yield Step(shown, "acted upon", life._place, False), now
        life.state, life.log = list(now), []
        life.record = record._replace(sequence=ACTED)
        new = 2 + max((place.content for place in now if place is not None), default=ACTED)
        life.commit(life.record._replace(sequence=new))
        for what, place, left in life.log:
            yield Step(shown, f"commit, {what}", place, True), left
        yield Step(shown, "committed", life._place, False), _acted(tuple(life.state), new)


class Found(NamedTuple):
    """What a search came to: the steps to a lost record, or none within so many cuts; and how many states there are."""

    lost: tuple[Step, ...] | None
    cuts: int
    states: int


def _way_to(state: State, came: dict[State, tuple[State, Step]]) -> list[Step]:
    steps: list[Step] = []
    while state in came:
        state, step = came[state]
        steps.append(step)
    return steps[::-1]


def search(journal: type[Journal], places: int, most: int, says: Callable[[str], None] = lambda _: None) -> Found:
    """Look for the fewest cuts that lose a record, `most` at most."""
    start = renumbered((Held(2, 1, 0, ACTED, COPIES, torn=False, weak=False), *(None,) * (places - 1)))
    fewest = {start: 0}
    came: dict[State, tuple[State, Step]] = {}
    for cuts in range(most + 1):
        waiting = deque(state for state, needed in fewest.items() if needed == cuts)
        says(f"{cuts} cuts: {len(waiting)} states that no fewer reach, and what follows them uncut")
        while waiting:
            state = waiting.popleft()
            for step, left in lives(journal, state):
                if left is None:
                    return Found((*_way_to(state, came), step), cuts, len(fewest))
                after, needed = renumbered(left), cuts + step.cut
                if needed < fewest.get(after, most + 1):
                    fewest[after], came[after] = needed, (state, step)
                    if not step.cut:
                        waiting.append(after)
    return Found(None, most, len(fewest))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--places", type=int, default=3)
    parser.add_argument("--cuts", type=int, default=5)
    args = parser.parse_args()
    found = search(Journal, args.places, args.cuts, lambda line: print(line, flush=True))
    if found.lost is None:
        print(f"{args.places} places: no record is lost within {found.cuts} cuts ({found.states} states)")
        return
    print(f"{args.places} places: a record is lost after {found.cuts} cuts ({found.states} states)")
    for step in found.lost:
        print(f"  {step}")


if __name__ == "__main__":
    main()
