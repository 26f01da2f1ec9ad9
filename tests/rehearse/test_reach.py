"""Every sequence of power cuts, on the small products: held against exploration without any merging, and played again.

Reference: `plainly` below, which knows nothing of states, marks or reads, and plays each sequence from its beginning.
"""

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from long_runs import long, mainly
from stages import PRODUCTS, pair
from test_planted_faults import Attacked, NotesNoErase
from test_rehearse_command import ONE, TWO, shipped  # noqa: F401 - a fixture
from workshop import Imgseal

from imgseal.formats.sealed_image.layout import STATEMENT
from imgseal.rehearse.adversary import BLOCK, COUNTER, ERASED, ERROR, FIELDS, HELD, PART, WRONG, Script, Thing
from imgseal.rehearse.contents import Contents
from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.cuts_text import cuts_document, cuts_lines, was_answered
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.flash import FlashReadError, PowerCutError
from imgseal.rehearse.life import RESET, Life, Log, Moment, Programs, Scenario, Stage
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.reach import Reach
from imgseal.rehearse.sequence import parse, replay, token_of
from imgseal.rehearse.states import Entry, Found, How, Reached, State
from imgseal.window import Bytes

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "format" / "cuts.schema.json").read_text())
UNNOTED = Programs(bootloader=NotesNoErase)
"""What one cut breaks on the product with data in the NOR."""


def noting(seen: list[tuple[Any, Moment]]) -> Log:
    """Return what keeps each operation, with the moment before it."""

    def log(operation: Any, moment: Callable[[], Moment]) -> None:
        seen.append((operation, moment()))

    return log


class Plain:
    """Plays every sequence of cuts to a depth, with every answer, and merges nothing; notes what breaks after how many."""

    def __init__(self, stage: Stage, package: Bytes, *, healthy: bool, programs: Programs | None = None) -> None:
        self.stage, self.package, self.healthy, self.programs = stage, package, healthy, programs or Programs()
        self.torn = Reach(stage, package, healthy=healthy, exact=True).torn  # a record at each place, too
        self.judgements = Judgements()
        self.broken: dict[int, set[str]] = {}
        self.lives = 0

    def play(self, state: State, cuts: int, most: int) -> None:
        todo: list[dict[Thing, str]] = [{}]
        while todo:
            given = todo.pop()
            script = Script(given)
            self.lives += 1
            life = Life(
                self.stage._replace(moment=state.moment), Scenario(self.healthy, state.source),
                self.package if state.source else None, self.judgements, script, self.programs,
            )  # fmt: skip
            life.power_on = state.power_on
            seen: list[tuple[Any, Moment]] = []
            try:
                how = life.run_session(log=noting(seen))
            except ViolationError as error:
                self.broken.setdefault(cuts, set()).add(error.invariant)
            else:
                if how == RESET:
                    self.play(State(life.moment(), state.source, life.power_on), cuts, most)
                elif cuts < most:
                    self.cut(life.moment(), state.source, cuts, most)
            todo += [answers for answers, _, _ in script.forks(given)]
            for operation, moment in seen if cuts < most else ():
                self.cut(moment, state.source, cuts, most)
                for _, after in self.torn(moment, operation):
                    self.cut(after, state.source, cuts, most)

    def cut(self, moment: Moment, source: bool, cuts: int, most: int) -> None:
        for kept in (True, False) if source else (False,):
            self.play(State(moment, kept, power_on=True), cuts + 1, most)


def start(stage: Stage) -> State:
    return State(stage.moment._replace(blocks=Contents.of(stage.moment.blocks)), source=True, power_on=True)


def explored(name: str, cuts: int, *, healthy: bool, changing: bool = False) -> tuple[Reached, Found | None]:
    update = pair(name)
    reached = Reach(update.stage, update.package, healthy=healthy, changing=changing).explore(cuts=cuts)
    return reached, reached.found


def holds(name: str, cuts: int, *, healthy: bool, changing: bool = False) -> None:
    reached, found = explored(name, cuts, healthy=healthy, changing=changing)
    assert found is None, (found and token_of(found), found)
    assert reached.cuts == cuts


@pytest.mark.parametrize("name", PRODUCTS)
def test_every_sequence_of_one_cut(name: str) -> None:
    holds(name, 1, healthy=True)


@pytest.mark.parametrize("name", mainly("staged, no way back", PRODUCTS))
def test_what_is_torn_may_change_between_two_resets(name: str) -> None:
    holds(name, 1, healthy=False, changing=True)


@long
@pytest.mark.parametrize("name", PRODUCTS)
@pytest.mark.parametrize("healthy", [True, False])
def test_every_sequence_of_two_cuts(name: str, healthy: bool) -> None:
    holds(name, 2, healthy=healthy)


@pytest.mark.parametrize("name", mainly("staged, no way back", PRODUCTS))
def test_nothing_is_lost_by_taking_states_for_one(name: str) -> None:
    """One cut, without any merging: nothing breaks either."""
    update = pair(name)
    for healthy in (True, False):
        plain = Plain(update.stage, update.package, healthy=healthy)
        plain.play(start(update.stage), 0, 1)
        assert plain.broken == {}
        assert explored(name, 1, healthy=healthy)[1] is None


def test_both_find_what_breaks() -> None:
    """A fault that one cut shows: after as many cuts in both, the same invariant, and on the ordinary device as well."""
    update = pair("data in the NOR")
    plain = Plain(update.stage, update.package, healthy=True, programs=UNNOTED)
    plain.play(start(update.stage), 0, 1)
    assert plain.broken == {1: {"judged"}}
    found = Reach(update.stage, update.package, healthy=True, programs=UNNOTED).explore(cuts=1).found
    assert found is not None
    assert (found.cuts, found.invariant, token_of(found)) == (1, "judged", "any:healthy:reset/2.0!/off")
    error, events = replay(update.stage, update.package, healthy=True, sessions=found.sessions, programs=UNNOTED)
    assert error is not None
    assert (error.invariant, error.message) == (found.invariant, found.message)
    assert sum(event.startswith("power cut") for event in events) == 1


class Walker(Plain):
    """Walks one way after the other, at random: a session, one cut of it, and on from there."""

    def walk(self, rng: random.Random, reach: Reach, most: int) -> int:
        """Each state on the way is one that the exploration knows, after no more cuts; return how many there were."""
        state, cuts, passed = start(self.stage), 0, 0
        while cuts < most:
            given: dict[Thing, str] = {}
            for _ in range(4):  # answers for some of what is asked
                seen: list[tuple[Any, Moment]] = []
                script = Script(given)
                life = reach.life(state, script)
                how = life.run_session(log=noting(seen))
                forks = script.forks(given)
                if not forks or rng.random() < 0.3:
                    break
                given = rng.choice(forks)[0]
            if how == RESET and rng.random() < 0.6:
                state = State(life.moment(), state.source, life.power_on)
            else:
                after = [life.moment()]
                if seen:
                    operation, moment = rng.choice(seen)
                    after = [moment, *(torn for _, torn in self.torn(moment, operation))]
                state = State(rng.choice(after), state.source and rng.random() < 0.7, power_on=True)
                cuts += 1
            entry = reach.known(state)
            assert entry is not None
            assert entry.cuts <= cuts
            passed += 1
        return passed


@pytest.mark.parametrize("name", mainly("two run slots", PRODUCTS))
def test_random_ways_lead_to_known_states(name: str) -> None:
    """Sequences of two cuts: what they come to is known, after as many cuts at most."""
    update, rng = pair(name), random.Random(f"ways {name}")
    reach = Reach(update.stage, update.package, healthy=True)
    reach.explore(cuts=1)
    walker = Walker(update.stage, update.package, healthy=True)
    assert sum(walker.walk(rng, reach, 2) for _ in range(150)) > 400


@long
def test_random_ways_of_four_cuts_lead_to_known_states() -> None:
    update, rng = pair("staged, no way back"), random.Random("four cuts")
    reach = Reach(update.stage, update.package, healthy=False)
    assert reach.explore(cuts=3).found is None
    walker = Walker(update.stage, update.package, healthy=False)
    assert sum(walker.walk(rng, reach, 4) for _ in range(1000)) > 4000


class Noted(Reach):
    """Keeps what was taken for a state that was known: other bytes, and one state all the same."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.taken: list[tuple[State, Entry]] = []

    def add(self, state: State, cuts: int, before: Entry | None, how: How | None, journal: int) -> Entry:
        entry = super().add(state, cuts, before, how, journal)
        if entry.state is not state and _bytes(entry.state) != _bytes(state):
            self.taken.append((state, entry))
        return entry

    def follows(self, state: State) -> set[object]:
        """Return what one session can lead to, and what it breaks, with every answer, as the exploration sees it."""
        out: set[object] = set()
        todo: list[dict[Thing, str]] = [{}]
        while todo:
            given = todo.pop()
            script = Script(given, self.alike.choices)
            life = self.life(state, script)
            seen: list[tuple[Any, Moment]] = []
            try:
                out.add(life.run_session(log=noting(seen)))
            except ViolationError as error:
                out.add(error.invariant)
            todo += [answers for answers, _, _ in script.forks(given)]
            moments = [life.moment(), *(moment for _, moment in seen)]
            moments += [torn for operation, moment in seen for _, torn in self.torn(moment, operation)]
            for moment in moments:
                here = State(moment, state.source, power_on=True)
                assert isinstance(moment.blocks, Contents)
                journal = self.alike.journal(moment.blocks)
                node = self.node(self.key(here, journal), journal)
                out.add((id(node), self._shown(node, moment.blocks)))
        return out


def _bytes(state: State) -> int:
    assert isinstance(state.moment.blocks, Contents)
    return state.moment.blocks.sum_of(None)


@pytest.mark.parametrize("name", mainly("staged outside, kept", PRODUCTS))
def test_states_that_are_one_lead_to_the_same(name: str) -> None:
    """Other generations, other torn bytes, other rubbish in slots: each answer and each cut leads to the same states."""
    update, rng = pair(name), random.Random(f"one {name}")
    reach = Noted(update.stage, update.package, healthy=False)
    reach.explore(cuts=1)
    assert len(reach.taken) > 500
    for state, entry in rng.sample(reach.taken, 40):
        stands = reach.known(state)
        assert stands is not None
        assert reach.follows(state) == reach.follows(stands.state), entry.how


LOSES_THE_RECORD = (
    "any:healthy:8.0/6.3/0.0/0.0@internal.4.131=erased/off@internal.2=erased@internal.3=erased@internal.4=erased"
)


def test_a_line_is_one_sequence() -> None:
    healthy, sessions = parse(LOSES_THE_RECORD)
    assert healthy
    assert token_of(Found("starts", "", healthy, sessions)) == LOSES_THE_RECORD
    for other in (
        "any:healthy:08.0",
        "any:well:8.0",
        "any:healthy:8.0@internal.4=torn",
        "any:healthy:8,0",
        "any:healthy",
    ):
        with pytest.raises(ValueError, match=r"."):
            parse(other)


def test_answers_are_what_they_say() -> None:
    """By hand: a block whose erase was cut, a unit torn, and a counter."""
    update = pair("two run slots")
    flash, counters = update.stage.moment.storage(update.stage.facts, Script({}))
    key, held = ("internal", 6), flash.read("internal", 0x3000, 0x800)
    used = len(held.rstrip(b"\xff"))
    flash.watch = lambda _operation: True
    with pytest.raises(PowerCutError):
        flash.erase("internal", 0x3000)
    wrong = held[: used - 1] + bytes([held[used - 1] | held[used - 1] + 1]) + held[used:]
    thing = Thing(*key, BLOCK)
    for answer, reads in {
        HELD: held, ERASED: b"\xff" * 0x800, PART: held[: used // 2] + b"\xff" * (0x800 - used // 2), WRONG: wrong,
    }.items():  # fmt: skip
        flash.noise = Script({thing: answer})
        assert flash.read("internal", 0x3000, 0x800) == reads
        assert flash.read("internal", 0x3000 + used - 9, 9) == reads[used - 9 : used]
    flash.noise = Script({thing: ERROR})
    with pytest.raises(FlashReadError):
        flash.read("internal", 0x3000, 8)
    flash.noise = script = Script({thing: ERASED, thing._replace(turn=2): HELD}, changing=True)
    assert [flash.read("internal", 0x3000, 8) == held[:8] for _ in range(4)] == [False, False, True, True]
    assert script.forks({}) == []  # it changes once
    flash.noise = script = Script({})
    flash.read("internal", 0x3000, 8)
    assert {given[thing] for given, _, _ in script.forks({})} == {ERASED, WRONG, PART, ERROR, *FIELDS}
    flash.noise = Script({thing: "payload_size"})
    field = STATEMENT.fields[[each.name for each in STATEMENT.fields].index("payload_size")]
    assert flash.read("internal", 0x3000 + field.offset, 4) == b"\xff" * 4
    assert flash.read("internal", 0x3000, field.offset) == held[: field.offset]
    counters.watch = lambda _step: True
    with pytest.raises(PowerCutError):
        counters.take(1, 4)
    for answer, value in {HELD: 4, ERASED: 3}.items():
        counters.noise = Script({Thing(COUNTER, 1, 0): answer})
        assert counters.read(1) == value


def test_at_the_command_line(imgseal: Imgseal, shipped: Path) -> None:  # noqa: F811
    """One cut is more lives than it may play here: it says so, and is not satisfied."""
    arguments = ("rehearse", TWO, "--previous", ONE)
    said = imgseal(*arguments, "--cuts", "any", "--lives", "5", "--json", "--jobs", "1")
    assert said.status == 1, said.err
    document = json.loads(said.out)
    Draft202012Validator(SCHEMA).validate(document)
    assert (document["holds"], document["broken"]) == (False, False)
    assert [each["set"] for each in document["explored"]] == ["healthy", "failing"]
    assert all(5 <= each["lives"] < 50 for each in document["explored"])
    none = imgseal(*arguments, "--cuts", "0", "--jobs", "1")
    assert (none.status, none.out.count("every sequence of up to 0 cuts was played")) == (0, 2), none.out
    assert imgseal(*arguments, "--replay", "any:healthy:off").status == 0
    for mistake in (("--cuts", "all"), ("--cuts", "1", "--workers", "tcp://127.0.0.1:9"), ("--replay", "any:x:3")):
        assert imgseal(*arguments, *mistake).status == 2


def test_what_breaks_is_shown_and_repeated() -> None:
    update = pair("data in the NOR")
    asking = Asking(update.stage, update.package, UNNOTED, None, None, changing=False)
    explored = explore(asking)
    text = "\n".join(cuts_lines(explored, "package", "device", (3, 4), changing=False))
    assert text.count("the shortest sequence that breaks an invariant has 1 cut, and it was replayed") == 2
    assert "power cut in operation 2: erase nor+0x1000" in text
    document = cuts_document(
        explored, "package", "device", (3, 4), changing=False, holds=was_answered(explored, asking.cuts)
    )
    Draft202012Validator(SCHEMA).validate(document)
    assert (document["holds"], document["broken"]) == (False, True)
    for line in text.split("--replay ")[1:]:
        healthy, sessions = parse(line.split()[0])
        error, _ = replay(update.stage, update.package, healthy=healthy, sessions=sessions, programs=UNNOTED)
        assert error is not None
        assert replay(update.stage, update.package, healthy=healthy, sessions=sessions)[0] is None


def test_a_device_that_resets_itself_for_ever() -> None:
    """Without a cut: its copy is exchanged each time, and it takes the package again. The states are the same ones again."""
    update = pair("staged outside, kept")
    asking = Asking(update.stage, update.package, Programs(bootloader=Attacked), 0, None, changing=False)
    first, _ = explore(asking)
    assert first.reached.found is not None
    assert (first.reached.found.cuts, first.reached.found.invariant, first.again) == (0, "ends", "ends")
    assert any("cannot be completed" in event for event in first.events)


LOST, THERE, OFF, RESETS = (
    "the package is lost", "the package is there again", "the power is switched off and on", "the device resets",
)  # fmt: skip


@pytest.mark.parametrize(
    ("line", "between"),
    [
        ("any:healthy:40!/off/off", [LOST, OFF, THERE]),
        ("any:healthy:40/off/reset!/off", [OFF, RESETS, LOST]),
        ("any:healthy:40!/off!/off!", [LOST, OFF]),
    ],
)
def test_what_happens_between_two_sessions_is_told(line: str, between: list[str]) -> None:
    update = pair("two run slots")
    healthy, sessions = parse(line)
    error, events = replay(update.stage, update.package, healthy=healthy, sessions=sessions)
    assert error is None
    assert [event for event in events if event in (LOST, THERE, OFF, RESETS)] == between
