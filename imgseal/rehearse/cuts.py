"""Explores a device for a set that reports itself healthy and one that never does, and plays what it finds again."""

from collections.abc import Callable, Iterator

from imgseal.records import NamedTuple
from imgseal.rehearse.cuts_text import Explored
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.reach import Reach
from imgseal.rehearse.sequence import replay
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
    """Explore one kind of set."""
    stage, package, programs, cuts, lives, changing = asking
    reach = Reach(stage, package, healthy=healthy, programs=programs, changing=changing)
    reached = reach.explore(cuts=cuts, sessions=lives)
    if reached.found is None:
        return Explored(healthy, reached)
    again, events = replay(stage, package, healthy=healthy, sessions=reached.found.sessions, programs=programs)
    return Explored(healthy, reached, None if again is None else again.invariant, events)


def in_turn(work: Work, asking: Asking, pieces: list[bool]) -> Iterator[Explored]:
    """Explore one after the other, here."""
    return (work(piece, asking) for piece in pieces)


def explore(
    asking: Asking, spread: Callable[[Work, Asking, list[bool]], Iterator[Explored]] = in_turn
) -> tuple[Explored, ...]:
    """Explore both; the set that reports itself healthy comes first."""
    return tuple(spread(explore_one, asking, [True, False]))


def was_answered(explored: tuple[Explored, ...], asking: Asking) -> bool:
    """Say whether all that was to be played was played, and nothing broke; what had nothing to play was not."""
    return not any(each.idle for each in explored) and all(
        each.reached.closed
        or (each.reached.found is None and asking.cuts is not None and each.reached.cuts >= asking.cuts)
        for each in explored
    )
