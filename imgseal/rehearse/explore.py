"""Cuts the power at every operation, and again while the device resumes, and holds every life against the oracle.

A resumed run that reaches a state whose future is known is not played on: what follows was followed before, cuts
included.
"""

from collections.abc import Callable, Iterable, Iterator

from imgseal.records import NamedTuple
from imgseal.rehearse.counters import Counters, Step, numbers_stored
from imgseal.rehearse.device import Facts, Judgements
from imgseal.rehearse.flash import Flash, Operation, PowerCutError
from imgseal.rehearse.life import Life, Moment, Programs, Scenario
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import Oracle, ViolationError
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

    __slots__ = ("joined", "operations", "pairs", "singles", "states")

    def __init__(self) -> None:
        self.operations: dict[str, int] = {}
        self.singles = 0
        self.pairs = 0
        self.joined = 0
        self.states = 0


class Explorer:
    """Plays one package on one device in every scenario."""

    def __init__(
        self, facts: Facts, start: Moment, oracle: Oracle, package: Bytes, seed: str, programs: Programs
    ) -> None:
        self._facts = facts
        self._start = start
        self._oracle = oracle
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
        found = self._explore(pairs, progress)
        if found is None:
            return None
        _, events = self.replay(found.token)  # all that had happened, from the first reset on
        return found._replace(events=events)

    def _explore(self, pairs: int | None, progress: Callable[[int, int], None]) -> Violation | None:
        logs: list[tuple[Scenario, list[tuple[Operation | Step, Moment]]]] = []
        for scenario in SCENARIOS[::2]:
            log: list[tuple[Operation | Step, Moment]] = []
            life = self._life(self._start, scenario, ())
            found = self._follow(life, scenario, (), set(), log=lambda o, m, log=log: log.append((o, m)))  # type: ignore[misc]
            if found is not None:
                return found
            self._learn(scenario, life)
            self.tally.operations[str(scenario)] = len(log)
            logs.append((scenario, log))
        everything = 2 * sum(len(log) for _, log in logs)
        resumed: list[tuple[Scenario, int, Moment, int]] = []
        for scenario, number, cut in self._cuts(logs):
            life = self._life(cut, scenario, (number,))
            found = self._follow(life, scenario, (number,), self._known[scenario])
            if found is not None:
                return found
            self.tally.singles += 1
            self.tally.joined += life.joined
            self._learn(scenario, life)
            resumed.append((scenario, number, cut, life.operations))
            progress(self.tally.singles, everything)
        return self._second_cuts(resumed, pairs, progress)

    def _cuts(
        self, logs: list[tuple[Scenario, list[tuple[Operation | Step, Moment]]]]
    ) -> Iterator[tuple[Scenario, int, Moment]]:
        """Yield what each cut of the undisturbed runs leaves, for a package that stays and for one that is gone."""
        for base, log in logs:
            for number, (operation, moment) in enumerate(log):
                cut = self._torn(moment, operation, self._noise(base, (number,)))
                for scenario in SCENARIOS:
                    if scenario.healthy == base.healthy:
                        yield scenario, number, cut

    def _second_cuts(
        self, resumed: list[tuple[Scenario, int, Moment, int]], pairs: int | None, progress: Callable[[int, int], None]
    ) -> Violation | None:
        total = sum(operations for _, _, _, operations in resumed)
        wanted = total if pairs is None else min(pairs, total)
        if not wanted:
            return None
        pick = Noise(f"{self._seed} pairs")
        tried = 0
        position, target = 0, 0
        for scenario, number, cut, operations in resumed:
            for second in range(operations):
                if position == target:
                    found = self._pair(scenario, number, cut, second)
                    if found is not None:
                        return found
                    tried += 1
                    progress(tried, wanted)
                    # evenly spread, with a random place in each stretch
                    if tried < wanted:
                        low, high = tried * total // wanted, (tried + 1) * total // wanted
                        target = max(position + 1, low + pick.below(high - low))
                position += 1
        self.tally.pairs = tried
        return None

    def _pair(self, scenario: Scenario, number: int, cut: Moment, second: int) -> Violation | None:
        first = self._life(cut, scenario, (number,))
        cuts = number, second
        tear = self._noise(scenario, cuts)
        found = self._follow(first, scenario, cuts, self._known[scenario], cut=second, tear=tear)
        if found is not None:
            return found
        if not first.was_cut:
            return None  # it joins a known run earlier now: what would be cut there was cut before
        life = self._life(first.moment(), scenario, (number, second))
        found = self._follow(life, scenario, cuts, self._known[scenario])
        if found is None:
            self._learn(scenario, life)
        return found

    def _life(self, moment: Moment, scenario: Scenario, cuts: tuple[int, ...]) -> Life:
        source = self._package if scenario.source or not cuts else None
        noise = Noise(f"{Token(self._seed, scenario, cuts)} reads")
        return Life(self._facts, moment, scenario, self._oracle, source, self.judgements, noise, self._programs)

    def _noise(self, scenario: Scenario, cuts: tuple[int, ...]) -> Noise:
        """Return what decides where the last of these cuts tears its operation."""
        return Noise(f"{Token(self._seed, scenario, cuts)} tear")

    def _follow(
        self,
        life: Life,
        scenario: Scenario,
        cuts: tuple[int, ...],
        known: set[object],
        *,
        cut: int | None = None,
        tear: Noise | None = None,
        before: Iterable[str] = (),
        log: Callable[[Operation | Step, Moment], None] | None = None,
    ) -> Violation | None:
        try:
            life.run(known=known, cut=cut, tear=tear, log=log)
        except ViolationError as error:
            token = Token(self._seed, scenario, cuts)
            return Violation(error.invariant, error.message, (*before, *life.device.events), token)
        return None

    def _torn(self, moment: Moment, operation: Operation | Step, noise: Noise) -> Moment:
        """Return what the cut of an operation leaves."""
        flash = Flash(self._facts.product, dict(moment.blocks), noise, self._facts.worn)
        counters = Counters(moment.counters, moment.loose, noise, numbers_stored(self._facts.product), self._facts.full)
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

    def _learn(self, scenario: Scenario, life: Life) -> None:
        self._known[scenario].update(life.states)
        self.tally.states += len(life.states)

    def replay(self, token: Token) -> tuple[Violation | None, tuple[str, ...]]:
        """Play one run again, and return what it violates, if anything, and everything that happened."""
        scenario = token.scenario
        events: list[str] = []
        moment, cuts = self._start, token.cuts
        for done in range(len(cuts) + 1):
            played = Scenario(scenario.healthy, source=True) if done == 0 else scenario
            life = self._life(moment, played, cuts[:done])
            cut = cuts[done] if done < len(cuts) else None
            tear = self._noise(played, cuts[: done + 1])
            found = self._follow(life, scenario, cuts, set(), cut=cut, tear=tear, before=events)
            if found is not None:
                return found, found.events
            events += life.device.events
            if cut is None:
                break
            moment = life.moment()
        return None, tuple(events)
