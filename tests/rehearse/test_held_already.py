"""Payloads of what a device runs already may be left out: from either run slot, and only where it lies there whole."""

import functools
import itertools
from collections.abc import Callable

import pytest
from changes import (
    SETTLED,
    THIN,
    UNPROVEN,
    Change,
    before,
    changes,
    components,
    device,
    files_of,
    package,
    played,
    product_of,
    thinned,
    without,
)  # fmt: skip
from long_runs import mainly
from stages import PRODUCTS
from workshop import BUILD_TIME, signer, trust_of

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import DeviceState, fresh
from imgseal.findings import Verdict
from imgseal.flow.release import Job, release
from imgseal.make.seal import SealOptions
from imgseal.rehearse.apply import apply
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView


def thin(name: str) -> list[Change]:
    """Every change of a product whose package has no payload for what stays."""
    everything = [change._replace(rest=THIN) for change in changes(name) if change.newer]
    return list(dict.fromkeys(everything))


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_every_subset_under_every_cut(name: str, record_property: Callable[[str, object], None]) -> None:
    lives = 0
    for start, change in itertools.product((SETTLED, UNPROVEN), thin(name)):
        on, result = played(change, start)
        assert on.verdict.accepted, (start, str(change), on.verdict.findings)
        assert result.violation is None, (start, str(change), result.violation)
        lives += result.tally.singles
    record_property("lives after one cut", lives)


@functools.cache
def second(name: str) -> tuple[DeviceState, dict[str, ByteView]]:
    """A device that has taken an update of everything: it runs from the other slots."""
    shop = before(name)[0]
    state, contents = before(name)[1:]
    raw = package(Change(name, components(name), "again"))
    applied = apply(Context(shop.product, shop.trust, state, contents), ByteView(raw))
    assert applied.verdict.accepted, applied.verdict.findings
    return applied.state, {slot: ByteView(content) for slot, content in applied.slots.items()}


def third(name: str, changed: tuple[str, ...]) -> bytes:
    """A third release, which changes some components once more, as a whole package."""
    of = product_of(name, components(name))
    of = of._replace(release=of.release._replace(sequence=of.release.sequence + 2))
    marks = {component: "one" if component in changed else "two" for component in of.components}
    options = SealOptions(BUILD_TIME, development=False, source_revision=bytes(range(20)))
    keys = (signer("keys/images"),), (signer("keys/packages"),)
    made = release(Job(files_of(of, name, marks), of, options, *keys, trust_of(of)))
    return b"".join(made.package.pieces())


@pytest.mark.parametrize("name", PRODUCTS)
def test_from_the_other_slots(name: str) -> None:
    shop, (state, contents) = before(name)[0], second(name)
    assert all(
        state.running[c.number] == 1 - before(name)[1].running[c.number]
        for c in shop.product.components.values()
        if len(c.run) > 1
    )
    for change in thin(name):
        raw = thinned(third(name, change.changed), shop.product, state.running, change.changed)
        data = ByteView(raw)
        on = set_up(Context(shop.product, shop.trust, state, contents), data)
        assert on.verdict.accepted, (str(change), on.verdict.findings)
        result = rehearse(on, data, pairs=0, seed="1")
        assert result.violation is None, (str(change), result.violation)


def asked(name: str, raw: bytes, start: str = SETTLED) -> Verdict:
    shop = before(name)[0]
    state, contents = device(name, start)
    return judge(ByteView(raw), "x", Context(shop.product, shop.trust, state, contents))


def test_what_is_damaged_is_not_held() -> None:
    for change in thin("two cores"):
        for component in set(components("two cores")) - set(change.changed):
            assert asked("two cores", package(change)).accepted
            refused = asked("two cores", package(change), component)
            assert refused.findings[0].code == "rules.directive-failed", str(change)


def test_a_device_that_holds_nothing_needs_every_payload() -> None:
    shop = before("two cores")[0]
    raw = package(Change("two cores", ("app",), THIN))
    for state in (fresh(shop.product), fresh(shop.product)._replace(fresh=False, hardware=1)):
        verdict = judge(ByteView(raw), "x", Context(shop.product, shop.trust, state))
        assert verdict.findings[0].code == "rules.directive-failed"


def test_what_lies_in_the_free_slot_is_not_what_runs() -> None:
    """A device that went back has the build in its free slot; its payload is needed all the same."""
    name = "two run slots"
    shop, (state, contents) = before(name)[0], second(name)
    went_back = before(name)[1]
    raw = package(Change(name, components(name), "again"))
    whole = judge(ByteView(raw), "x", Context(shop.product, shop.trust, went_back, contents))
    assert whole.accepted, whole.findings
    bare = without(raw, lambda _: True)
    refused = judge(ByteView(bare), "x", Context(shop.product, shop.trust, went_back, contents))
    assert refused.findings[0].code == "rules.directive-failed"
    there = judge(ByteView(bare), "x", Context(shop.product, shop.trust, state, contents))
    assert there.accepted, there.findings


def test_the_verdict_says_what_is_held() -> None:
    verdict = asked("two cores", package(Change("two cores", ("radio",), THIN)))
    assert ("held", "app in app-a") in verdict.details
    assert not any(name.startswith("app") for name in verdict.installs)


def test_one_changed_byte_beside_what_is_held() -> None:
    """Payloads that are there are judged as ever, those for the other slot among them."""
    name = "two cores"
    change = Change(name, ("app",), "again")
    raw = without(package(change), lambda key: key == "#radio")
    assert asked(name, raw).accepted
    for place in (raw.index(b"#app-a") + 1000, raw.index(b"#app-b") + 1000):
        spoiled = bytearray(raw)
        spoiled[place] ^= 1
        assert asked(name, bytes(spoiled)).findings[0].code == "digest.image"
