"""What an exploration of every sequence of power cuts is made of: states, how they are come to, and how far it went."""

from collections import defaultdict
from collections.abc import Iterable

from imgseal.records import NamedTuple
from imgseal.rehearse.adversary import Answers, Thing
from imgseal.rehearse.contents import Contents, Key
from imgseal.rehearse.life import Moment
from imgseal.rehearse.phases import Phase, Way

ENDLESS = "the device resets itself for ever"


class State(NamedTuple):
    """What a device starts from: the moment, whether the package can be read, and whether it was a power-on."""

    moment: Moment
    source: bool
    power_on: bool


class How(NamedTuple):
    """How one session went: what things read as, and the operation that was cut; None where it came to its end.

    `unit` is where a program call was torn, None for a cut before the operation began, 0 for an erase. `kept` tells
    that the package is there afterwards; `power_on` False that the device has reset itself.
    """

    answers: tuple[tuple[Thing, str], ...]
    cut: int | None = None
    unit: int | None = None
    kept: bool = True
    power_on: bool = True


class Found(NamedTuple):
    """An invariant that did not hold, what was seen, and the sessions that led there; the last one was not cut."""

    invariant: str
    message: str
    healthy: bool
    sessions: tuple[How, ...]

    @property
    def cuts(self) -> int:
        """How often the power failed."""
        return sum(each.power_on for each in self.sessions[:-1])


class Entry:
    """A state that was reached: how it was come to, and what is played from it.

    One inside a session is played from the reset before, with answers `given`, and is come to after as many marks and
    operations. `chosen` tells that it stands for those that do not differ from it.
    """

    __slots__ = ("before", "blocks", "chosen", "cuts", "given", "how", "marks", "node", "operations", "state")

    def __init__(self, node: "Node", state: State, cuts: int, before: "Entry | None", how: How | None) -> None:
        self.node, self.state, self.cuts, self.before, self.how = node, state, cuts, before, how
        assert isinstance(state.moment.blocks, Contents)
        self.blocks = state.moment.blocks
        self.given: Answers = {}
        self.marks = self.operations = 0
        self.chosen = False


class Node:
    """States that differ in nothing but slots; `live` are the blocks of these that some life from here looks at.

    `order` are the same, ascending; `phase` names what the record says.
    """

    __slots__ = ("before", "entries", "live", "order", "phase", "shown")

    def __init__(self, phase: str | None) -> None:
        self.phase = phase
        self.live: frozenset[Key] = frozenset()
        self.order: tuple[Key, ...] = ()
        self.entries: dict[int, Entry] = {}
        self.shown: dict[object, Entry] = {}
        self.before: defaultdict[Node, set[frozenset[Key]]] = defaultdict(set)


class Reached(NamedTuple):
    """How far an exploration has come.

    Every sequence of up to `cuts` cuts was played; `closed` says that no state was new any more, so that a longer one
    leads nowhere else. `levels` are the states that take so many cuts at least. `rests` counts the ends of lives after
    which nothing more happens while the power stays on, by what runs and whether the package is there. `phases` and
    `ways` are those that were passed, `held` how often each invariant was looked at.
    """

    closed: bool
    cuts: int
    levels: tuple[int, ...]
    moments: int
    sessions: int
    steps: int
    found: Found | None
    rests: tuple[tuple[str, int], ...] = ()
    phases: tuple[Phase, ...] = ()
    ways: tuple[Way, ...] = ()
    held: tuple[tuple[str, int], ...] = ()

    @property
    def states(self) -> int:
        """How many states were told apart."""
        return sum(self.levels)


def first_middle_last(units: int) -> Iterable[int]:
    """Return the units where a program call of so many is torn."""
    return sorted({0, units // 2, units - 1})
