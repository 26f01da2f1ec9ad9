"""A whole rehearsal: the undisturbed run with its wear and time, then every cut."""

from collections.abc import Callable

from imgseal.records import NamedTuple
from imgseal.rehearse.counters import Step
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.estimate import Estimate, Worked, estimate
from imgseal.rehearse.explore import SCENARIOS, Explorer, Spread, Tally, Violation, in_turn
from imgseal.rehearse.flash import Operation
from imgseal.rehearse.forecast import Forecast
from imgseal.rehearse.life import Life, Moment, Programs, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.window import Bytes


class Rehearsal(NamedTuple):
    """What an installation does, what was tried, and the invariant that did not hold, if any.

    `events` are those of the undisturbed run, in which the new set reports itself healthy; `worked` are its operations,
    each of which was cut, and `said_at` tells of each event how many of them had been done. `changes`: the running set
    becomes another one.
    """

    way_back: bool
    had_set: bool
    changes: bool
    events: tuple[str, ...]
    estimate: Estimate | None
    tally: Tally
    violation: Violation | None
    seed: str
    worked: tuple[Worked, ...] = ()
    said_at: tuple[int, ...] = ()

    @property
    def played(self) -> bool:
        """Whether there was anything to play: a device that has the release already does nothing."""
        return any(self.tally.operations.values())

    @property
    def holds(self) -> bool:
        """Whether every invariant holds in lives that were played: what was not played has passed nothing."""
        return self.violation is None and self.played


def rehearse(
    stage: Stage,
    package: Bytes,
    *,
    pairs: int | None,
    seed: str,
    programs: Programs | None = None,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
    spread: Spread = in_turn,
    announce: Callable[[Forecast], None] = lambda _forecast: None,
) -> Rehearsal:
    """Rehearse a package that the device accepts; what follows it is as in `Explorer.explore`."""
    programs, promise = programs or Programs(), stage.oracle.promise
    explorer = Explorer(stage, package, seed, programs)
    run = undisturbed(stage, package, seed=seed, programs=programs, judgements=explorer.judgements)
    violation = explorer.explore(pairs, progress, spread, announce)
    return Rehearsal(
        promise.way_back, promise.old is not None, promise.changes, run.events, run.estimate, explorer.tally, violation,
        seed, run.worked, run.said_at,
    )  # fmt: skip


class Run(NamedTuple):
    """One installation without cuts, after which the set reports itself healthy; the fields as in `Rehearsal`.

    `estimate` is None where an invariant does not hold even so; `moment` is where the device has come to.
    """

    events: tuple[str, ...]
    estimate: Estimate | None
    worked: tuple[Worked, ...]
    said_at: tuple[int, ...]
    moment: Moment


def undisturbed(
    stage: Stage,
    package: Bytes,
    *,
    seed: str = "1",
    programs: Programs | None = None,
    judgements: Judgements | None = None,
) -> Run:
    """Play a package that the device accepts once, and estimate its wear and time."""
    worked: list[Worked] = []
    life = Life(stage, SCENARIOS[0], package, judgements or Judgements(), Noise(seed), programs or Programs())
    said_at: list[int] = []
    took: Estimate | None = None

    def note(operation: Operation | Step, _moment: Callable[[], Moment]) -> None:
        said_at.extend([len(worked)] * (len(life.device.events) - len(said_at)))
        worked.append((operation, life.down))

    try:
        life.run(known=set(), log=note)
    except ViolationError:
        pass  # the explorer meets it again, and says what had happened
    else:
        new = stage.oracle.promise.new
        images = {} if new is None else new.images
        took = estimate(stage.facts.product, package.size, worked, images, life.boots, stage.steps)
    said_at += [len(worked)] * (len(life.device.events) - len(said_at))
    return Run(tuple(life.device.events), took, tuple(worked), tuple(said_at), life.moment())
