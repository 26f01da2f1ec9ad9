"""Cuts the power at every operation, and again while the device resumes, and holds every life against the oracle.

A resumed run that reaches a state whose future is known is not played on: what follows was followed before, cuts
included. Cuts that leave what no life tells apart are counted each and played once.
"""

from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from copy import copy

from imgseal.errors import Place, UsageError
from imgseal.records import NamedTuple
from imgseal.rehearse.counters import Step
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.flash import Operation, PowerCutError
from imgseal.rehearse.forecast import Forecast, forecast
from imgseal.rehearse.life import Life, Log, Moment, Programs, Scenario, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.runs import Played, Recorder, Run, Walk
from imgseal.window import Bytes

SCENARIOS = tuple(Scenario(healthy, source) for healthy in (True, False) for source in (True, False))


class Token(NamedTuple):
    """What repeats one run: seed, scenario, and the operations that were cut, each counted from its own reset."""

    seed: str
    scenario: Scenario
    cuts: tuple[int, ...]

    def __str__(self) -> str:
        return ":".join((self.seed, str(self.scenario), ".".join(map(str, self.cuts)) or "none"))

    @classmethod
    def parse(cls, text: str) -> "Token":
        """Read a token as `str` writes it; ValueError for anything else."""
        seed, scenario, cuts = text.rsplit(":", 2)
        known = {str(s): s for s in SCENARIOS}
        if scenario not in known or not all(c.isdecimal() for c in cuts.split(".") if cuts != "none"):
            raise ValueError(text)
        return cls(seed, known[scenario], () if cuts == "none" else tuple(int(c) for c in cuts.split(".")))


class Violation(NamedTuple):
    """An invariant that did not hold: its name, what was seen, what had happened, and how to see it again."""

    invariant: str
    message: str
    events: tuple[str, ...]
    token: Token


class Tally:
    """What was tried: operations of each undisturbed run, and lives after one and after two cuts.

    `played` of these lives were played, the others cannot differ from one of them.
    """

    singles = pairs = joined = states = played = 0

    def __init__(self) -> None:
        self.operations: dict[str, int] = {}


_STRETCH = 256
_PIECES = 64
"""Operations that one piece of work cuts, at least, and pieces at most: the same on one processor and on many."""

_REMEMBERED = 4
"""Lives that the next ones are compared with; it is nearly always the last one."""


class _FoundError(Exception):
    """An invariant does not hold."""

    def __init__(self, violation: Violation) -> None:
        super().__init__(violation.message)
        self.violation = violation


class Outcome(NamedTuple):
    """What became of a piece of work: lives that were cut and followed, by how many operations each went on.

    `played` of them were played, the others are known from these; `states` are those passed whose future is known.
    """

    operations: tuple[int, ...]
    played: int
    joined: int
    states: tuple[tuple[Scenario, object], ...]
    violation: Violation | None


class Second(NamedTuple):
    """A life that is cut twice: the operation that was cut first, whether the package stays, the operation cut then."""

    number: int
    source: bool
    second: int


Cuts = tuple[int, range | tuple[Second, ...]]
"""A piece of work: the undisturbed run, and its operations to cut, or the lives of it to cut twice."""

Spread = Callable[["Callable[[Cuts, Explorer], Outcome]", "Explorer", list[Cuts]], Iterator[Outcome]]
"""How pieces are worked on: a function, what it needs for each piece, the pieces; outcomes come in their order."""


def in_turn(work: "Callable[[Cuts, Explorer], Outcome]", explorer: "Explorer", pieces: list[Cuts]) -> Iterator[Outcome]:
    """Work on one piece after the other, here."""
    return (work(piece, explorer) for piece in pieces)


def work_on(piece: Cuts, explorer: "Explorer") -> Outcome:
    """Play the lives of one piece; nothing of what it finds depends on other pieces."""
    return explorer.apart().outcome(piece)


class Explorer:
    """Plays one package on one device in every scenario.

    `merges` says that lives which cannot differ are played once.
    """

    merges = True

    def __init__(self, stage: Stage, package: Bytes, seed: str, programs: Programs) -> None:
        self._stage = stage
        self._package = package
        self._seed = seed
        self._programs = programs
        self.judgements = Judgements()
        promise = stage.oracle.promise
        for permitted in (promise.old, promise.new):
            for image in () if permitted is None else permitted.images.values():
                self.judgements.known.sealed(*image)
        self._known: dict[Scenario, set[object]] = {scenario: set() for scenario in SCENARIOS}
        self._runs: list[Run] = []
        self.tally = Tally()

    def apart(self) -> "Explorer":
        """Return one that knows the same, and learns for itself."""
        out = copy(self)
        known = {scenario: set(states) for scenario, states in self._known.items()}
        vars(out).update(_known=known, _stage=self._stage._replace(oracle=self._stage.oracle.apart()))
        return out

    def explore(
        self,
        pairs: int | None,
        progress: Callable[[int, int], None] = lambda _done, _all: None,
        spread: Spread = in_turn,
        announce: Callable[[Forecast], None] = lambda _forecast: None,
    ) -> Violation | None:
        """Cut everywhere; then a second time at every operation of the resumed runs, or at a sample of `pairs` of them.

        `announce` is told before the first cut what is to come. Returns the first violation found, which has the fewest
        cuts, or None.
        """
        try:
            self._undisturbed()
            announce(forecast(self._stage, self._package, self._runs))
            self._explore(pairs, progress, spread)
        except _FoundError as found:
            _, events = self.replay(found.violation.token)  # all that had happened, from the first reset on
            return found.violation._replace(events=events)
        return None

    def _undisturbed(self) -> None:
        for scenario in SCENARIOS[::2]:
            recorder = Recorder(scenario, tuple(self._runs))
            self._follow(self._life(self._stage.moment, scenario, ()), (), log=recorder.note)
            self._runs.append(recorder.run())
            self.tally.operations[str(scenario)] = len(self._runs[-1].entries)

    def _explore(self, pairs: int | None, progress: Callable[[int, int], None], spread: Spread) -> None:
        operations: list[int] = []
        first = self._single_cuts()
        for outcome in self._outcomes(first, sum(2 * len(numbers) for _, numbers in first), progress, spread):
            operations += outcome.operations
            self.tally.joined += outcome.joined
            self.tally.singles += len(outcome.operations)
        picked = list(self._second_cuts(operations, pairs))
        for outcome in self._outcomes(picked, sum(len(lives) for _, lives in picked), progress, spread):
            self.tally.pairs += len(outcome.operations)

    def _outcomes(
        self, pieces: list[Cuts], everything: int, progress: Callable[[int, int], None], spread: Spread
    ) -> Iterator[Outcome]:
        done = 0
        learned = []
        for outcome in spread(work_on, self, pieces):
            if outcome.violation is not None:
                raise _FoundError(outcome.violation)
            done += len(outcome.operations)
            progress(done, everything)
            self.tally.played += outcome.played
            learned.append(outcome.states)
            yield outcome
        for states in learned:  # only now: no piece depends on which ones are done before it
            for scenario, state in states:
                self._known[scenario].add(state)
        self.tally.states = sum(map(len, self._known.values()))

    def _single_cuts(self) -> list[Cuts]:
        counts = [len(run.entries) for run in self._runs]
        stretch = max(_STRETCH, -(-sum(counts) // _PIECES))
        return [
            (number, range(first, min(first + stretch, count)))
            for number, count in enumerate(counts)
            for first in range(0, count, stretch)
        ]

    def _second_cuts(self, operations: list[int], pairs: int | None) -> Iterator[Cuts]:
        """Yield lives to cut twice, evenly spread over all operations of the resumed ones.

        `operations` tells of each life how many it had: package kept and lost for each operation of each run.
        """
        total = sum(operations)
        wanted = total if pairs is None else min(pairs, total)
        if not wanted:
            return
        pick = Noise(f"{self._seed} pairs")
        stretch = max(_STRETCH, -(-wanted // _PIECES))
        tried = target = begin = life = 0
        for number, run in enumerate(self._runs):
            lives: list[Second] = []
            for cut in range(2 * len(run.entries)):
                while tried < wanted and target < begin + operations[life]:
                    lives.append(Second(cut // 2, cut % 2 == 0, target - begin))
                    tried += 1
                    # a random place in each stretch
                    low, high = tried * total // wanted, (tried + 1) * total // wanted
                    target = max(target + 1, low + pick.below(high - low))
                begin += operations[life]
                life += 1
            yield from ((number, tuple(lives[at : at + stretch])) for at in range(0, len(lives), stretch))

    def outcome(self, piece: Cuts) -> Outcome:
        """Play the lives of a piece of work."""
        run, cuts = self._runs[piece[0]], piece[1]
        before = {scenario: set(known) for scenario, known in self._known.items()}
        tally = self.tally = Tally()
        operations: list[int] = []
        violation = None
        try:
            operations.extend(self._once(run, cuts) if isinstance(cuts, range) else self._twice(run, cuts))
        except _FoundError as found:
            violation = found.violation
        states = [(scenario, s) for scenario, known in self._known.items() for s in known - before[scenario]]
        return Outcome(tuple(operations), tally.played, tally.joined, tuple(states), violation)

    def _once(self, run: Run, numbers: range) -> Iterator[int]:
        """Follow what each cut leaves, for a package that stays and for one that is gone; yield operations."""
        walk = Walk(self._stage.facts, run)
        played: dict[bool, deque[Played]] = {True: deque(maxlen=_REMEMBERED), False: deque(maxlen=_REMEMBERED)}
        behind = numbers.start
        for number in numbers:
            cut = self._left(run, walk, number)
            changed = run.changed(behind, number, self._stage.facts)
            behind = number
            for source, lives in played.items():
                same = [life for life in lives if life.is_that_of(cut, changed, self._stage.facts)]
                if same:
                    self.tally.joined += same[-1].joins
                    yield same[-1].operations
                    continue
                life = self._life(cut, Scenario(run.scenario.healthy, source), (number,))
                self._follow(life, (number,))
                self.tally.played += 1
                self.tally.joined += life.joined
                if self.merges and life.is_certain:
                    lives.append(Played(life, cut))
                yield life.operations

    def _left(self, run: Run, walk: Walk, number: int) -> Moment:
        """Return what the cut of an operation leaves."""
        return self._torn(walk.to(number), run.entries[number][0], self._noise(run.scenario, (number,)))

    def _twice(self, run: Run, lives: tuple[Second, ...]) -> Iterator[int]:
        walk = Walk(self._stage.facts, run)
        for number, source, second in lives:
            scenario, cuts = Scenario(run.scenario.healthy, source), (number, second)
            first = self._life(self._left(run, walk, number), scenario, (number,))
            self._follow(first, cuts, cut=second)
            if first.was_cut:  # else it joins a known run earlier now: what would be cut there was cut before
                self._follow(self._life(first.moment(), scenario, cuts), cuts)
            self.tally.played += 1
            yield first.operations

    def _life(self, moment: Moment, scenario: Scenario, cuts: tuple[int, ...]) -> Life:
        source = self._package if scenario.source or not cuts else None
        noise = Noise(f"{Token(self._seed, scenario, cuts)} reads")
        stage = self._stage._replace(moment=moment)
        life = Life(stage, scenario, source, self.judgements, noise, self._programs)
        life.cuts = len(cuts)
        return life

    def _noise(self, scenario: Scenario, cuts: tuple[int, ...]) -> Noise:
        """Return what decides where the last of these cuts tears its operation."""
        return Noise(f"{Token(self._seed, scenario, cuts)} tear")

    def _follow(self, life: Life, cuts: tuple[int, ...], *, cut: int | None = None, log: Log | None = None) -> None:
        """Run a life, to a cut if there is to be one; what one that ends by itself has passed shortens later ones."""
        scenario = life.scenario
        tear = None if cut is None else self._noise(scenario, cuts)
        try:
            life.run(known=self._known[scenario], cut=cut, tear=tear, log=log)
        except ViolationError as error:
            token = Token(self._seed, scenario, cuts)
            raise _FoundError(Violation(error.invariant, error.message, tuple(life.device.events), token)) from None
        if cut is None:
            self._known[scenario].update(life.states)

    def _torn(self, moment: Moment, operation: Operation | Step, noise: Noise) -> Moment:
        """Return what the cut of an operation leaves."""
        flash, counters = moment.storage(self._stage.facts, noise)
        flash.watch = lambda _operation: True
        counters.watch = lambda _step: True
        with suppress(PowerCutError):
            flash.again(operation) if isinstance(operation, Operation) else counters.again(operation)
        return Moment(flash.blocks, counters.firm, counters.loose, moment.starts, moment.tried, moment.healthy)

    def replay(self, token: Token) -> tuple[Violation | None, tuple[str, ...]]:
        """Play one run again, and return what it violates, if anything, and everything that happened.

        UsageError where it ends before one of the cuts: it is not the run that is asked for.
        """
        scenario = token.scenario
        events: list[str] = []
        moment, cuts = self._stage.moment, token.cuts
        for done in range(len(cuts) + 1):
            played = Scenario(scenario.healthy, source=True) if done == 0 else scenario
            life = self._life(moment, played, cuts[:done])
            cut = cuts[done] if done < len(cuts) else None
            tear = self._noise(played, cuts[: done + 1])
            try:
                life.run(known=set(), cut=cut, tear=tear)
            except ViolationError as error:
                events += life.device.events
                return Violation(error.invariant, error.message, tuple(events), token), tuple(events)
            events += life.device.events
            if cut is None:
                break
            if not life.was_cut:
                raise UsageError(
                    "this run ends before its power is cut",
                    place=Place(key="--replay"),
                    expected=f"cut {done + 1} in one of its {life.operations} operations, counted from 0",
                    found=f"operation {cut}",
                    hint="replay it with the package, the device and the imgseal that printed it",
                )
            moment = life.moment()
        return None, tuple(events)
