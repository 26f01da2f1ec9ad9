"""An undisturbed run as its operations, the moments between them, and which lives that begin there are the same."""

from collections.abc import Callable, Iterable

from imgseal.records import NamedTuple
from imgseal.rehearse.contents import Contents, Key
from imgseal.rehearse.counters import Step
from imgseal.rehearse.device import Facts
from imgseal.rehearse.flash import Flash, Operation, Snapshot
from imgseal.rehearse.life import Life, Moment, Scenario
from imgseal.rehearse.noise import Noise

_KEPT = 256
"""Operations between two moments of which the flash is kept."""


class Run(NamedTuple):
    """An undisturbed run: each operation, with what else than flash the moment before it holds.

    `kept` is what the flash held before every so many of them.
    """

    scenario: Scenario
    entries: tuple[tuple[Operation | Step, Moment], ...]
    kept: tuple[Snapshot, ...]

    def changed(self, first: int, last: int, facts: Facts) -> set[Key]:
        """Return the blocks that operations change."""
        memories = facts.product.memories
        operations = [operation for operation, _ in self.entries[first : last + 1] if isinstance(operation, Operation)]
        return {(each.memory, each.at // memories[each.memory].erase_block) for each in operations}


class Recorder:
    """Notes the operations of a run while it is played; what is as it was before is shared."""

    def __init__(self, scenario: Scenario, before: tuple[Run, ...]) -> None:
        self._scenario = scenario
        self._before = before
        self._entries: list[tuple[Operation | Step, Moment]] = []
        self._kept: list[Snapshot] = []
        self._no_flash = Contents()

    def note(self, operation: Operation | Step, moment: Callable[[], Moment]) -> None:
        """Take an operation, as `Life.run` logs it."""
        now, entries = moment(), self._entries
        number = len(entries)
        if number % _KEPT == 0:
            self._kept.append(now.blocks)
        entry = operation, now._replace(blocks=self._no_flash)
        same = [run.entries[number] for run in self._before if run.entries[number : number + 1] == (entry,)]
        if not same and entries and entry[1] == entries[-1][1]:
            entry = operation, entries[-1][1]
        entries.append(same[0] if same else entry)

    def run(self) -> Run:
        """Return what was noted."""
        return Run(self._scenario, tuple(self._entries), tuple(self._kept))


class Walk:
    """The moments of a run; going on to a later one costs what the operations between them cost."""

    def __init__(self, facts: Facts, run: Run) -> None:
        self._facts = facts
        self._run = run
        self._at = len(run.entries)

    def to(self, number: int) -> Moment:
        """Return the moment before an operation; it holds until the next one is asked for."""
        entries, at = self._run.entries, number - number % _KEPT
        if not at <= self._at <= number:
            blocks = Contents.of(self._run.kept[number // _KEPT])
            self._flash = Flash(self._facts.product, blocks, Noise("walk"), self._facts.worn)
            self._at = at
        for operation, _ in entries[self._at : number]:
            if isinstance(operation, Operation):
                self._flash.again(operation)
        self._at = number
        return entries[number][1]._replace(blocks=self._flash.blocks)


class Played:
    """A life that was played from a moment; those that cannot differ from it need not be.

    `operations` and `joins` are what one of these has when it is played after this one.
    """

    def __init__(self, life: Life, moment: Moment) -> None:
        self._life = life
        self._moment = moment
        self._changed: set[Key] = set()
        self.joins = life.joined or bool(life.states)
        self.operations = life.states_from if life.states else life.operations

    def is_that_of(self, moment: Moment, changed: Iterable[Key], facts: Facts) -> bool:
        """Say whether the life from another moment is this one; `changed` are blocks changed since last asked."""
        self._changed.update(changed)
        if moment[1:] != self._moment[1:]:
            return False
        life, mine, memories = self._life, self._moment.blocks, facts.product.memories
        for key in tuple(self._changed):
            if not life.trace.agree(key, mine, moment.blocks, memories[key[0]], to_the_end=life.joined):
                return False
            self._changed.discard(key)
        return True
