"""Explores a device for a set that reports itself healthy and one that never does, and plays what it finds again."""

from collections.abc import Callable, Iterator

from imgseal.records import NamedTuple
from imgseal.rehearse.cuts_text import AS_IT_IS, Explored
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.reach import Reach
from imgseal.rehearse.sequence import replay
from imgseal.rehearse.states import Reached
from imgseal.window import Bytes


class Asking(NamedTuple):
    """What is to be explored: up to so many cuts (None for any number), and up to so many lives of each set."""

    stage: Stage
    package: Bytes
    programs: Programs
    cuts: int | None
    lives: int | None
    changing: bool


Work = Callable[[bool, Asking], Explored]


def explore_one(healthy: bool, asking: Asking) -> Explored:
    """Explore one kind of set; any number of cuts with a journal that keeps its record, and a few with it as it is."""
    stage, package, programs, cuts, lives, changing = asking

    def reach(*, kept: bool, most: int | None) -> Reached:
        explorer = Reach(stage, package, healthy=healthy, programs=programs, changing=changing, kept=kept)
        return explorer.explore(cuts=most, sessions=lives)

    reached, journal = reach(kept=cuts is None, most=cuts), None
    if cuts is None and reached.closed and reached.steps:
        journal = reach(kept=False, most=AS_IT_IS)
    explored = Explored(healthy, reached, journal)
    if explored.found is None:
        return explored
    again, events = replay(stage, package, healthy=healthy, sessions=explored.found.sessions, programs=programs)
    return explored._replace(again=None if again is None else again.invariant, events=events)


def in_turn(work: Work, asking: Asking, pieces: list[bool]) -> Iterator[Explored]:
    """Explore one after the other, here."""
    return (work(piece, asking) for piece in pieces)


def explore(
    asking: Asking, spread: Callable[[Work, Asking, list[bool]], Iterator[Explored]] = in_turn
) -> tuple[Explored, ...]:
    """Explore both; the set that reports itself healthy comes first."""
    return tuple(spread(explore_one, asking, [True, False]))
