"""Every state that a device can come to under power cuts, by the number of cuts that it takes at least.

A state is what a device starts from at a reset. From each one a session is played, to the next reset, with every answer
that the adversary has for what it reads unreliably; each of its operations is cut in every way. Places inside a session
where RAM holds nothing that flash does not (marks) are states as well: a session that comes to a known one ends there.
docs/format/flash-model.md says which states are one, and why.
"""

from collections import Counter, defaultdict, deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress

from imgseal.rehearse.adversary import COUNTER, Answers, At, Script
from imgseal.rehearse.alike import Alike
from imgseal.rehearse.boot import RECOVERY, SET
from imgseal.rehearse.contents import Contents, Key, in_range
from imgseal.rehearse.counters import Step
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.flash import Operation, PowerCutError
from imgseal.rehearse.life import RESET, Joined, Life, Moment, Programs, Scenario, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.phases import Passed, phase_of
from imgseal.rehearse.states import ENDLESS, Entry, Found, How, Node, Reached, State, first_middle_last
from imgseal.rehearse.trace import Trace
from imgseal.window import Bytes


class Reach:
    """Explores one device with one package, for a set that reports itself healthy or one that never does.

    `changing` lets what a thing reads as change once a session. `exact` takes no states for one that differ in a bit.
    `kept` takes the journal for what it promises: a record that is being written is there after a cut, or the one
    before is, and no cut comes between. Then the package may come back as well.
    """

    def __init__(
        self, stage: Stage, package: Bytes, *, healthy: bool, programs: Programs | None = None, changing: bool = False,
        exact: bool = False, kept: bool = False, tears: Callable[[int], Iterable[int]] = first_middle_last,
    ) -> None:  # fmt: skip
        self.stage = stage._replace(oracle=stage.oracle.apart())
        self._package = package
        self._healthy = healthy
        self._programs = programs or Programs()
        self._tears = tears
        self._judgements = Judgements()
        self._nodes: dict[object, Node] = {}
        self._levels: list[deque[Entry]] = []
        self._counts: list[int] = []
        self._scratch = stage.moment.storage(stage.facts, Noise("scratch"))
        self._next: dict[Entry, set[Entry]] = defaultdict(set)
        self.changing = changing
        self.exact = exact
        self.kept = kept
        self.alike = Alike(stage.facts.product, exact=exact, kept=kept)
        self.sessions = self.steps = self.moments = 0
        self.rests: Counter[str] = Counter()
        self.passed = Passed()

    def explore(
        self, *, cuts: int | None = None, sessions: int | None = None,
        progress: Callable[[int, int, int], None] = lambda _cuts, _states, _waiting: None,
    ) -> Reached:  # fmt: skip
        """Play until no state is new, an invariant breaks, or a bound is reached: so many cuts, or sessions."""
        blocks = Contents.of(self.stage.moment.blocks)
        start = State(self.stage.moment._replace(blocks=blocks), source=True, power_on=True)
        self.add(start, 0, None, None, self.alike.journal(blocks))
        done, level = -1, 0
        try:
            while level < len(self._levels) and (cuts is None or level <= cuts):
                waiting = self._levels[level]
                while waiting:
                    if sessions is not None and self.sessions >= sessions:
                        return self._reached(done, closed=False)
                    self._play(waiting.popleft())
                    progress(level, sum(self._counts), len(waiting))
                self._ends()
                done, level = level, level + 1
        except _FoundError as found:
            return self._reached(done, closed=False, found=found.found)
        return self._reached(done, closed=not any(self._levels[level:]))

    def _reached(self, cuts: int, *, closed: bool, found: Found | None = None) -> Reached:
        rests, held = tuple(sorted(self.rests.items())), tuple(self.stage.oracle.held.items())
        return Reached(
            closed, cuts, tuple(self._counts), self.moments, self.sessions, self.steps, found, rests,
            self.passed.phases, self.passed.all_ways, held,
        )  # fmt: skip

    # -- states -----------------------------------------------------------------------------------------------------

    def key(self, state: State, journal: object) -> object:
        """Return what tells states apart, but for slots."""
        moment = state.moment
        assert isinstance(moment.blocks, Contents)
        return (
            journal, tuple(sorted(moment.counters.items())), moment.loose, moment.starts, moment.tried,
            moment.healthy, state.source, state.power_on,
        )  # fmt: skip

    def node(self, key: object, journal: int) -> Node:
        """Return the node of a key."""
        node = self._nodes.get(key)
        if node is None:
            record = self.alike.record(journal)
            phase = None if record is None else phase_of(record, self.stage.oracle.promise)
            node = self._nodes[key] = Node(phase)
        return node

    def slots(self, blocks: Contents) -> int:
        """Return the number of what lies outside the records slot."""
        return blocks.sum_of(None) - blocks.sum_of(self.alike.part)

    def _shown(self, node: Node, blocks: Contents) -> object:
        if self.exact:
            return self.slots(blocks)
        return tuple([None if (block := blocks.get(key)) is None else block.digest for key in node.order])

    def add(self, state: State, cuts: int, before: Entry | None, how: How | None, journal: int) -> Entry:
        """Take a state that was reached; one that is new is played later."""
        node = self.node(self.key(state, journal), journal)
        assert isinstance(state.moment.blocks, Contents)
        raw = self.slots(state.moment.blocks)
        entry = node.entries.get(raw)
        if entry is None:
            self.moments += 1
            entry = node.entries[raw] = Entry(node, state, cuts, before, how)
            if self.choose(entry):
                self._wait(entry)
        return entry

    def entries(self) -> Iterator[Entry]:
        """Yield all states that were told apart, for who looks at them."""
        for node in self._nodes.values():
            yield from node.entries.values()

    def known(self, state: State) -> Entry | None:
        """Return the entry that stands for a state; None where nobody has come to it."""
        assert isinstance(state.moment.blocks, Contents)
        node = self._nodes.get(self.key(state, self.alike.journal(state.moment.blocks)))
        return None if node is None else node.shown.get(self._shown(node, state.moment.blocks))

    def choose(self, entry: Entry) -> bool:
        """Say whether an entry stands for itself, as none that is known is the same."""
        shown = self._shown(entry.node, entry.blocks)
        entry.chosen = entry.node.shown.setdefault(shown, entry) is entry
        if entry.chosen:
            self._counts += [0] * (entry.cuts + 1 - len(self._counts))
            self._counts[entry.cuts] += 1
            if entry.node.phase is not None:
                self.passed.states[entry.node.phase] += 1
        return entry.chosen

    def _wait(self, entry: Entry) -> None:
        while len(self._levels) <= entry.cuts:
            self._levels.append(deque())
        self._levels[entry.cuts].append(entry)

    def leads(self, one: Entry, other: Entry, gone: frozenset[Key], *, cut: bool) -> None:
        """Note that a life goes on from another state, with these blocks erased before."""
        if one.node.phase is not None and other.node.phase is not None:
            self.passed.ways[one.node.phase, other.node.phase, cut] += 1
        ways = other.node.before[one.node]
        if gone not in ways:
            ways.add(gone)
            self.looks_at(one.node, other.node.live - gone)

    def looks_at(self, node: Node, keys: Iterable[Key]) -> None:
        """Note that lives from a node look at blocks; so do those from the nodes before it."""
        work = [(node, frozenset(key for key in keys if not in_range(key, self.alike.part)))]
        while work and not self.exact:
            here, more = work.pop()
            more -= here.live
            if not more:
                continue
            here.live |= more
            here.order = tuple(sorted(here.live))
            here.shown = {self._shown(here, each.blocks): each for each in here.entries.values() if each.chosen}
            for each in here.entries.values():
                if not each.chosen and self.choose(each):
                    self._wait(each)
            work += [(before, more - gone) for before, ways in here.before.items() for gone in ways]

    # -- lives ------------------------------------------------------------------------------------------------------

    def life(self, state: State, script: Script) -> Life:
        """Return a life that begins with a state."""
        scenario = Scenario(self._healthy, state.source)
        source = self._package if state.source else None
        stage = self.stage._replace(moment=state.moment)
        out = Life(stage, scenario, source, self._judgements, script, self._programs)
        out.power_on = state.power_on
        return out

    def _play(self, entry: Entry) -> None:
        todo = [(dict(entry.given), entry.marks, entry.operations)]
        while todo:
            given, marks, operations = todo.pop()
            self.sessions += 1
            played = _Session(self, entry, given, marks, operations)
            try:
                played.play()
            except ViolationError as error:
                how = How(tuple(played.script.given_first.items()))
                raise _FoundError(self._found(error, entry, how)) from None
            todo += played.script.forks(given)

    def _found(self, error: ViolationError, entry: Entry, how: How) -> Found:
        sessions = [how]
        at: Entry | None = entry
        while at is not None and at.how is not None:
            sessions.append(at.how)
            at = at.before
        return Found(error.invariant, error.message, self._healthy, tuple(reversed(sessions)))

    def torn(self, moment: Moment, operation: Operation | Step) -> Iterator[tuple[int, Moment]]:
        """Yield each way in which the cut of an operation leaves a device, with the unit that was torn."""
        flash, counters = self._scratch
        if not isinstance(operation, Operation):
            _, counters = moment.storage(self.stage.facts, Noise("scratch"))
            counters.watch = lambda _step: True
            with suppress(PowerCutError):
                counters.again(operation)
            yield 0, moment._replace(counters=counters.firm, loose=counters.loose)
            return
        units: tuple[int, ...] = (0,)
        if operation.data is not None:
            count = len(operation.data) // flash.memory(operation.memory).write_unit
            units = (count - 1,) if self.alike.tears(operation) else tuple(self._tears(count))
        flash.watch = lambda _operation: True
        for unit in units:
            flash.blocks = Contents.of(moment.blocks)
            flash.noise = At(unit)
            with suppress(PowerCutError):
                flash.again(operation)
            yield unit, moment._replace(blocks=flash.blocks)

    def rest(self, life: Life, *, source: bool) -> str:
        """Say what a device has come to rest with."""
        started, promise = life.started, self.stage.oracle.promise
        assert started is not None
        what = {SET: "the set before", RECOVERY: "the recovery image"}.get(started.what, "nothing")
        if started.what == SET and promise.new is not None and started.members == promise.new.members:
            what = "the new set"
        return f"{what}, the package {'there' if source else 'lost'}"

    # -- ends -------------------------------------------------------------------------------------------------------

    def goes_on(self, one: Entry, other: Entry) -> None:
        """Note that a device comes from one state to another while the power stays on."""
        self._next[one].add(other)

    def _ends(self) -> None:
        """Find a device that resets itself for ever while the power stays on."""
        over: set[Entry] = set()
        for start in self._next:
            if start in over:
                continue
            path, inside = [(start, iter(self._after(start)))], {start}
            while path:
                here, ways = path[-1]
                after = next(ways, None)
                if after is None:
                    over.add(here)
                    inside.discard(here)
                    path.pop()
                elif after in inside:
                    error = ViolationError("ends", ENDLESS)
                    raise _FoundError(self._found(error, after, How(tuple(after.given.items()))))
                elif after not in over:
                    inside.add(after)
                    path.append((after, iter(self._after(after))))

    def _after(self, entry: Entry) -> set[Entry]:
        """Return the entries that stand for those that follow."""
        return {each.node.shown[self._shown(each.node, each.blocks)] for each in self._next.get(entry, ())}


class _FoundError(Exception):
    def __init__(self, found: Found) -> None:
        super().__init__(found.message)
        self.found = found


class _Session:
    """One session: its operations are cut as they come, those ahead of `operations` were cut before."""

    def __init__(self, reach: Reach, entry: Entry, given: Answers, marks: int, operations: int) -> None:
        self._reach = reach
        self._entry = entry
        self._at = entry  # the state that was passed last
        self._given = given
        self._marks = marks
        self._known = operations
        self._gone: frozenset[Key] = frozenset()
        self.script = Script(given, reach.alike.choices, changing=reach.changing)
        self._life = reach.life(entry.state, self.script)
        self._life.cuts = entry.cuts
        self._life.device.mark = self._mark
        self._life.journal = None

    def play(self) -> None:
        """Play it; ViolationError when an invariant breaks."""
        life, reach = self._life, self._reach
        how = life.run_session(log=self._log)
        trace = life.trace
        reach.looks_at(self._at.node, trace.looked_at)
        self._gone = trace.replaced
        if how is None:
            return
        moment = life.moment()
        if how == RESET:
            self._add(moment, None, None, power_on=False)
        else:
            reach.rests[reach.rest(life, source=self._entry.state.source)] += 1
        self._add(moment, None, None, power_on=True)

    def _log(self, operation: Operation | Step, moment: Callable[[], Moment]) -> None:
        reach, number = self._reach, self._life.operations
        self.script.operations = number + 1
        if number < self._known:
            return
        reach.steps += 1
        if self._at.node.phase is not None:
            reach.passed.cuts[self._at.node.phase] += 1
        self._gone = self._life.trace.replaced
        before = moment()
        if reach.kept and isinstance(operation, Operation) and reach.alike.is_record(operation):
            assert isinstance(before.blocks, Contents)
            if reach.alike.is_settled(before.blocks):
                self._add(before, number, None, power_on=True)
            return
        self._add(before, number, None, power_on=True)
        for unit, after in reach.torn(before, operation):
            self._add(after, number, unit, power_on=True)

    def _add(self, moment: Moment, cut: int | None, unit: int | None, *, power_on: bool) -> None:
        """Take what follows a cut, or the end of the session, with the package kept and lost."""
        reach, entry = self._reach, self._entry
        assert isinstance(moment.blocks, Contents)
        journal = reach.alike.journal(moment.blocks)
        answers = tuple(self.script.given_first.items())
        either = power_on and (entry.state.source or reach.kept)
        for kept in (True, False) if either else (entry.state.source,):
            state = State(moment, kept, power_on)
            how = How(answers, cut, unit, kept, power_on)
            after = reach.add(state, entry.cuts + power_on, entry, how, journal)
            reach.leads(self._at, after, self._gone, cut=power_on)
            if not power_on:
                reach.goes_on(self._at, after)

    def _mark(self, where: str) -> None:
        reach, life, script = self._reach, self._life, self.script
        reach.looks_at(self._at.node, life.trace.looked_at)
        moment, journal, state = life.moment(), life.journal, self._entry.state
        assert isinstance(moment.blocks, Contents)
        assert journal is not None
        loose = set(moment.blocks.loose) | {(COUNTER, number) for number, _ in moment.loose}
        moods = frozenset((each, said) for each, said in script.given.items() if each[:2] in loose)
        place = None if reach.kept else journal.place
        ram = reach.alike.journal(moment.blocks, journal.record), place, journal.tidied, where, moods
        key = ram if not moods else (*ram, script.changed)
        here = State(moment, state.source, life.power_on)
        node, raw = reach.node(reach.key(here, key), ram[0]), reach.slots(moment.blocks)
        number, script.marks = script.marks, script.marks + 1
        entry = node.entries.get(raw)
        is_known = entry is not None
        if entry is None:
            reach.moments += 1
            entry = node.entries[raw] = Entry(node, here, self._entry.cuts, self._entry.before, self._entry.how)
            entry.state = state
            entry.given, entry.marks, entry.operations = script.given_first, number + 1, life.operations
            is_known = not reach.choose(entry)
        reach.leads(self._at, entry, life.trace.replaced, cut=False)
        if entry is not self._at:
            reach.goes_on(self._at, entry)
        if is_known and number >= self._marks:
            raise Joined
        self._at = entry
        life.device.flash.trace = Trace()
        self._gone = frozenset()
