"""Devices whose storage fails, made for every small product.

Blocks that take no programming and say nothing; counters that are full or worn; settled sets of which a bit has flipped.
"""

import functools
import itertools
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from stages import NEWER, files, pair, small
from workshop import Workshop, make

from imgseal.check.context import Context
from imgseal.device_state.device import DeviceState, recorded_state
from imgseal.formats.install_record.record import Member
from imgseal.formats.install_record.room import place_bytes
from imgseal.product.model import Product
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import Violation
from imgseal.rehearse.life import Life, Programs, Scenario, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import read_slots, set_up
from imgseal.window import ByteView


def _place_blocks(of: Product) -> tuple[str, int, int, int]:
    slot = of.slot_holding("records")
    assert slot is not None
    memory = of.memories[slot.memory]
    block = memory.erase_block
    size = place_bytes(len(of.components), block, memory.write_unit)
    return slot.memory, slot.at // block, size // block, slot.size // size


def worn_places(of: Product, *places: int) -> frozenset[tuple[str, int]]:
    """The erase blocks of places of the records slot."""
    memory, first, count, _ = _place_blocks(of)
    return frozenset((memory, first + place * count + number) for place in places for number in range(count))


def one_place_worn(name: str) -> Iterator[tuple[Stage, ByteView]]:
    """The update of a small product, once for each place of the records slot that takes nothing."""
    update = pair(name)
    for place in range(_place_blocks(update.product)[3]):
        facts = update.stage.facts._replace(worn=worn_places(update.product, place))
        yield update.stage._replace(facts=facts), update.package


def full_counters(name: str) -> Iterator[tuple[Stage, ByteView]]:
    """The update of a small product, once for every set of components whose counters take no more, or only a part of it.

    The update raises steps by two here.
    """
    update = pair(name)
    of = update.product
    package = ByteView(two_steps(name).package)
    components = tuple(of.components.values())
    for size in range(1, len(components) + 1):
        for some in itertools.combinations(components, size):
            for more in (0, 1):
                steps = {c.number: more * (c.counter_storage == "steps") for c in some}
                full = {number: update.state.counters[number] + taken for number, taken in steps.items()}
                stage = set_up(Context(of, update.first.trust, update.state, update.contents), package, full=full)
                assert stage.verdict.accepted, stage.verdict.findings
                yield stage, package


@functools.cache
def two_steps(name: str) -> Workshop:
    """The second release of a small product, with counters two steps higher."""
    of = small(name)
    counters = {"steps": "5", "value": "20250101"}
    raised = {f"component__{n}__counter": counters[c.counter_storage] for n, c in of.components.items()}
    return make(small(name, **NEWER, **raised), files=files(of, "two"))


def behind(name: str) -> Iterator[tuple[Stage, ByteView]]:
    """Devices that could not raise their counters, and take the next update: of the same counters, and of higher ones.

    The storage is still full, takes them by now, or all but one. The last three get the release that they have, or one of lower counters
    than those that run, which they refuse, and go on as they are.
    """
    update = pair(name)
    of = update.product
    first = ByteView(two_steps(name).package)
    held = set_up(Context(of, update.first.trust, update.state, update.contents), first, full=update.state.counters)
    state, contents = after(of, held, update.state, first)
    assert state.unraised
    assert state.sequence == 6
    one = [{number: now} for number, now in update.state.counters.items() if len(update.state.counters) > 1]
    for counter, full in itertools.product(("5", "6"), (update.state.counters, {}, *one)):
        raised = {
            f"component__{n}__counter": counter if c.counter_storage == "steps" else "20250102"
            for n, c in of.components.items()
        }
        third = make(small(name, release__version="1.2.0", release__sequence="7", **raised), files=files(of, "three"))
        package = ByteView(third.package)
        stage = set_up(Context(of, update.first.trust, state, contents), package, full=full)
        assert stage.verdict.accepted, stage.verdict.findings
        yield stage, package
    lower = {f"component__{n}__counter": "4" for n in of.components}
    package = ByteView(
        make(small(name, release__version="1.2.0", release__sequence="7", **lower), files=files(of, "three")).package
    )
    stage = set_up(Context(of, update.first.trust, state, contents), package, full=update.state.counters)
    assert {finding.code for finding in stage.verdict.findings} == {"rollback.counter-too-low"}
    yield stage, package
    for full in (update.state.counters, {}):
        yield set_up(Context(of, update.first.trust, state, contents), first, full=full), first


class Flipped(NamedTuple):
    """A settled device of which one bit has flipped, the package that it is offered, and the set that has to run first, if any."""

    stage: Stage
    package: ByteView
    runs: Mapping[int, Member] | None


def flipped(name: str) -> Iterator[Flipped]:
    """Devices that have settled an update of a small product, with a bit flipped in one of their images.

    What the update changes is every subset of the components; it raises no counter, or those of what it changes, and the
    storage takes them or not. They are offered the same package again where it mends them, and the next release.
    """
    update = pair(name)
    of = update.product
    for change, raises, full in itertools.product(_subsets(tuple(of.components)), (False, True), (False, True)):
        if full and not raises:
            continue
        package = ByteView(_changed(name, change, raises=raises).package)
        most = dict(update.state.counters) if full else {}
        stage = set_up(Context(of, update.first.trust, update.state, update.contents), package, full=most)
        assert stage.verdict.accepted, stage.verdict.findings
        state, contents = after(of, stage, update.state, package)
        assert state.unraised == full
        for component in of.components.values():
            if component.recovery:
                continue
            member = state.current[component.number]
            stays = update.state.current[component.number] == member
            apart = all(len(of.components[n].run) == 2 or of.components[n].recovery for n in change)
            for slot, at in ((component.run[member.slot], -1), ((component.header or component.run)[member.slot], 70)):
                raw = bytearray(contents[slot].read(0, contents[slot].size))
                raw[at] ^= 4
                broken = {**contents, slot: ByteView(bytes(raw))}
                runs = update.state.current if apart and not raises and not stays else None
                if component.judged != "boot" and at == -1:
                    runs = state.current  # nobody looks at it before it starts
                for offered in (package, _next(name)) if component.name in change else (_next(name),):
                    yield Flipped(
                        set_up(Context(of, update.first.trust, state, broken), offered, full=most), offered, runs
                    )


def _subsets(names: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    for size in range(1, len(names) + 1):
        yield from itertools.combinations(names, size)


@functools.cache
def _changed(name: str, change: tuple[str, ...], *, raises: bool) -> Workshop:
    """A release that changes these components; of the others it brings nothing."""
    of = small(name)
    raised = {f"component__{n}__counter": "4" for n in change if raises}
    return make(small(name, **NEWER, **raised), files=files(of, "two", only=change))


@functools.cache
def _next(name: str) -> ByteView:
    """The release behind it, all components, no counter raised beyond."""
    of = small(name)
    raised = {f"component__{n}__counter": "4" for n in of.components}
    return ByteView(
        make(small(name, release__version="1.2.0", release__sequence="7", **raised), files=files(of, "three")).package
    )


def flips(name: str) -> Iterator[tuple[Stage, ByteView]]:
    return ((case.stage, case.package) for case in flipped(name))


def after(of: Product, stage: Stage, state: DeviceState, package: ByteView) -> tuple[DeviceState, dict[str, ByteView]]:
    """The device after an undisturbed life: it has taken the package and found it healthy."""
    life = Life(
        stage,
        Scenario(healthy=True, source=True),
        package,
        Judgements(),
        Noise("after"),
        Programs(),
    )
    life.run(known=set())
    moment = life.moment()
    record, slots = read_slots(of, moment)
    now = recorded_state(state, record, of, dict(moment.counters))
    return now, {slot: ByteView(content) for slot, content in slots.items()}


def violated(
    cases: Iterator[tuple[Stage, ByteView]], programs: Programs | None = None, *, pairs: int = 0, seed: str = "1"
) -> Violation | None:
    """Rehearse each case, every single cut; return the first violation."""
    for stage, package in cases:
        found = rehearse(stage, package, pairs=pairs, seed=seed, programs=programs).violation
        if found is not None:
            return found
    return None
