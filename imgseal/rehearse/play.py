"""A whole rehearsal: the undisturbed run with its wear and time, then every cut."""

from collections.abc import Callable

from imgseal.check.context import Bytes
from imgseal.records import NamedTuple
from imgseal.rehearse.estimate import Estimate, Worked, estimate
from imgseal.rehearse.explore import SCENARIOS, Explorer, Tally, Violation
from imgseal.rehearse.life import Life, Programs
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.stage import Stage

__all__ = ["Rehearsal", "rehearse"]


class Rehearsal(NamedTuple):
    """What an installation does, what was tried, and the invariant that did not hold, if any.

    `events` are those of the undisturbed run, in which the new set reports itself healthy.
    """

    way_back: bool
    had_set: bool
    events: tuple[str, ...]
    estimate: Estimate | None
    tally: Tally
    violation: Violation | None
    seed: str


def rehearse(
    stage: Stage,
    package: Bytes,
    *,
    pairs: int | None,
    seed: str,
    programs: Programs | None = None,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> Rehearsal:
    """Rehearse a package that the device accepts; `pairs` as in `Explorer.explore`."""
    programs = programs or Programs()
    explorer = Explorer(stage.facts, stage.moment, stage.oracle, package, seed, programs)
    worked: list[Worked] = []
    life = Life(
        stage.facts, stage.moment, SCENARIOS[0], stage.oracle, package, explorer.judgements, Noise(seed), programs
    )
    took: Estimate | None = None
    try:
        life.run(known=set(), log=lambda operation, _moment: worked.append((operation, life.down)))
    except ViolationError:
        pass  # the explorer meets it again, and says what had happened
    else:
        new = stage.oracle.new
        took = estimate(stage.facts.product, worked, {} if new is None else new.images, life.boots)
    violation = explorer.explore(pairs, progress)
    return Rehearsal(
        stage.oracle.way_back, stage.oracle.old is not None, tuple(life.device.events), took, explorer.tally, violation,
        seed,
    )  # fmt: skip
