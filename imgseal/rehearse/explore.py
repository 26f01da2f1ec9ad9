"""Cuts the power at every operation, and again while the device resumes, and holds every life against the oracle.

A resumed run that reaches a state whose future is known is not played on: what follows was followed before, cuts
included.
"""

from collections.abc import Callable, Iterator

from imgseal.records import NamedTuple
from imgseal.rehearse.counters import Step
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.flash import Operation, PowerCutError
from imgseal.rehearse.life import Life, Moment, Programs, Scenario, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
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
    """What was tried: operations of each undisturbed run, and lives after one and after two cuts."""

    singles = pairs = joined = states = 0

    def __init__(self) -> None:
        self.operations: dict[str, int] = {}


_Log = list[tuple[Operation | Step, Moment]]
"""The operations of an undisturbed run, each with the moment before it."""


class _FoundError(Exception):
    """An invariant does not hold."""

    def __init__(self, violation: Violation) -> None:
        super().__init__(violation.message)
        self.violation = violation


class Explorer:
    """Plays one package on one device in every scenario."""

    def __init__(self, stage: Stage, package: Bytes, seed: str, programs: Programs) -> None:
        self._stage = stage
        self._package = package
        self._seed = seed
        self._programs = programs
        self.judgements = Judgements()
        self._known: dict[Scenario, set[object]] = {scenario: set() for scenario in SCENARIOS}
        self.tally = Tally()

    def explore(
        self, pairs: int | None, progress: Callable[[int, int], None] = lambda _done, _all: None
    ) -> Violation | None:
        """Cut everywhere; then a second time at every operation of the resumed runs, or at a sample of `pairs` of them.

        Returns the first violation found, which has the fewest cuts, or None.
        """
        try:
            self._explore(pairs, progress)
        except _FoundError as found:
            _, events = self.replay(found.violation.token)  # all that had happened, from the first reset on
            return found.violation._replace(events=events)
        return None

    def _explore(self, pairs: int | None, progress: Callable[[int, int], None]) -> None:
        logs: list[tuple[Scenario, _Log]] = []
        for scenario in SCENARIOS[::2]:
            log: _Log = []
            self._follow(self._life(self._stage.moment, scenario, ()), (), log=log)
            self.tally.operations[str(scenario)] = len(log)
            logs.append((scenario, log))
        everything = 2 * sum(len(log) for _, log in logs)
        resumed: list[tuple[Scenario, int, Moment, int]] = []
        for scenario, number, cut in self._cuts(logs):
            life = self._life(cut, scenario, (number,))
            self._follow(life, (number,))
            self.tally.singles += 1
            self.tally.joined += life.joined
            resumed.append((scenario, number, cut, life.operations))
            progress(self.tally.singles, everything)
        self._second_cuts(resumed, pairs, progress)

    def _cuts(self, logs: list[tuple[Scenario, _Log]]) -> Iterator[tuple[Scenario, int, Moment]]:
        """Yield what each cut of the undisturbed runs leaves, for a package that stays and for one that is gone."""
        for base, log in logs:
            for number, (operation, moment) in enumerate(log):
                cut = self._torn(moment, operation, self._noise(base, (number,)))
                for scenario in SCENARIOS:
                    if scenario.healthy == base.healthy:
                        yield scenario, number, cut

    def _second_cuts(
        self, resumed: list[tuple[Scenario, int, Moment, int]], pairs: int | None, progress: Callable[[int, int], None]
    ) -> None:
        total = sum(operations for _, _, _, operations in resumed)
        wanted = total if pairs is None else min(pairs, total)
        if not wanted:
            return
        pick = Noise(f"{self._seed} pairs")
        tried = 0
        position, target = 0, 0
        for scenario, number, cut, operations in resumed:
            for second in range(operations):
                if position == target:
                    self._pair(scenario, number, cut, second)
                    tried += 1
                    progress(tried, wanted)
                    # evenly spread, with a random place in each stretch
                    if tried < wanted:
                        low, high = tried * total // wanted, (tried + 1) * total // wanted
                        target = max(position + 1, low + pick.below(high - low))
                position += 1
        self.tally.pairs = tried

    def _pair(self, scenario: Scenario, number: int, cut: Moment, second: int) -> None:
        first = self._life(cut, scenario, (number,))
        cuts = number, second
        self._follow(first, cuts, cut=second)
        if not first.was_cut:
            return  # it joins a known run earlier now: what would be cut there was cut before
        self._follow(self._life(first.moment(), scenario, cuts), cuts)

    def _life(self, moment: Moment, scenario: Scenario, cuts: tuple[int, ...]) -> Life:
        source = self._package if scenario.source or not cuts else None
        noise = Noise(f"{Token(self._seed, scenario, cuts)} reads")
        stage = self._stage._replace(moment=moment)
        return Life(stage, scenario, source, self.judgements, noise, self._programs)

    def _noise(self, scenario: Scenario, cuts: tuple[int, ...]) -> Noise:
        """Return what decides where the last of these cuts tears its operation."""
        return Noise(f"{Token(self._seed, scenario, cuts)} tear")

    def _follow(self, life: Life, cuts: tuple[int, ...], *, cut: int | None = None, log: _Log | None = None) -> None:
        """Run a life, to a cut if there is to be one; what one that ends by itself has passed shortens later ones."""
        scenario = life.scenario
        tear = None if cut is None else self._noise(scenario, cuts)
        note = None if log is None else lambda operation, moment: log.append((operation, moment))
        try:
            life.run(known=self._known[scenario], cut=cut, tear=tear, log=note)
        except ViolationError as error:
            token = Token(self._seed, scenario, cuts)
            raise _FoundError(Violation(error.invariant, error.message, tuple(life.device.events), token)) from None
        if cut is None:
            self._known[scenario].update(life.states)
            self.tally.states += len(life.states)

    def _torn(self, moment: Moment, operation: Operation | Step, noise: Noise) -> Moment:
        """Return what the cut of an operation leaves."""
        flash, counters = moment.storage(self._stage.facts, noise)
        flash.watch = lambda _operation: True
        counters.watch = lambda _step: True
        try:
            if not isinstance(operation, Operation):
                counters.again(operation)
            elif operation.data is None:
                flash.erase(operation.memory, operation.at)
            else:
                flash.program(operation.memory, operation.at, operation.data)
        except PowerCutError:
            pass
        return Moment(flash.blocks, counters.firm, counters.loose, moment.starts, moment.tried, moment.healthy)

    def replay(self, token: Token) -> tuple[Violation | None, tuple[str, ...]]:
        """Play one run again, and return what it violates, if anything, and everything that happened."""
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
            moment = life.moment()
        return None, tuple(events)
