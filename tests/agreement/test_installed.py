"""What is packed of a subset and accepted is installed: the device's state goes on, and a power cut at any operation changes nothing of it.

A sample of the accepted rows, each product with a first release and an update.
"""

import hashlib
from collections.abc import Callable

import pytest
from answers import ACCEPTED, CIRCUMSTANCES, FACTS, Question, answer
from long_runs import every_fifth
from packages import device, package, sealed, trust, variant_of
from rows import Row, pairwise
from variants import product
from workshop import signer

from imgseal.check.context import Context
from imgseal.errors import UsageError
from imgseal.flow.contents import read_contents
from imgseal.flow.deliver import Device, delivery, thin
from imgseal.formats.install_record.record import Member
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.rehearse.apply import apply
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView


def sample() -> list[tuple[str, Row]]:
    """Rows that are accepted with nothing wrong, of large products some. A first release has to hold what starts."""
    out = []
    for name in FACTS:
        rows = [row._replace(asked=row.asked._replace(circumstance=CIRCUMSTANCES[0])) for row in pairwise()]
        good = [row for row in rows if row.asked.product == name and answer(row.asked) == ACCEPTED]
        for update in (False, True):
            some = [
                row
                for row in good
                if row.asked.update == update and (update or 1 in row.asked.parts or len(FACTS[name].parts) == 1)
            ]
            chosen = some[:: max(1, len(some) // 8)] if len(some) > 20 else some
            out += [
                (f"{name} {'update' if update else 'first'} {sorted(row.asked.parts)}-{n}", row)
                for n, row in enumerate(chosen)
            ]
    return out


def updates() -> list[tuple[str, Row]]:
    return [(name, row) for name, row in sample() if row.asked.update]


@pytest.mark.parametrize(("name", "row"), every_fifth(updates()))
def test_what_travels_in_its_place_leaves_the_same(name: str, row: Row) -> None:
    """As a delivery, and with payloads left out that this device has no use for: state and slots are those after the package."""
    variant = variant_of(row.asked)
    raw, digest = package(row.asked, bill=row.bill)
    here = device(row.asked, digest)
    context = Context(product(variant, update=False), trust(variant), here.state._replace(fresh=False), here.contents)
    whole = apply(context, ByteView(raw))
    given = ByteView(raw), read_contents(raw, name, context.product), [Device("a unit", context)], context.product
    small = delivery(*given, signer("keys/packages"))
    for data in (small.data, thin(*given).data):
        applied = apply(context, ByteView(data))
        assert applied.verdict.accepted, applied.verdict.findings
        assert (applied.state, applied.slots) == (whole.state, whole.slots)
    changed = {step.part.number for _, step in small.steps}
    assert changed <= row.asked.parts
    assert changed, "an update of the same image"


@pytest.mark.parametrize(("name", "row"), every_fifth(sample()))
def test_it_is_installed(name: str, row: Row, record_property: Callable[[str, object], None]) -> None:
    asked = row.asked
    variant = variant_of(asked)
    of = product(variant, update=False)
    raw, digest = package(asked, bill=row.bill)
    here = device(asked, digest)
    state = here.state._replace(fresh=False)
    applied = apply(Context(of, trust(variant), state, here.contents), ByteView(raw))
    assert applied.verdict.accepted, applied.verdict.findings
    after = applied.state
    assert (after.sequence, after.manifest_digest) == (40 if asked.update else 20, digest)
    assert after.trial is None
    new = {image.placed.slot.name: image for image in sealed(variant, update=asked.update)}
    for component in of.components.values():
        number = component.number
        assert not (component.recovery and number in after.current)
        if number not in asked.parts:
            assert after.current.get(number) == state.current.get(number)
            assert after.counters.get(number, 0) == state.counters.get(number, 0)
            continue
        slot = asked.free if asked.update and len(component.run) > 1 else 0
        image = new[component.run[slot]]
        if not component.recovery:
            statement = hashlib.sha256(image.header_block[:STATEMENT_BYTES]).digest()
            assert after.current[number] == Member(slot, statement)
        assert after.counters.get(number, 0) == image.statement.counter
        where = component.header[slot] if component.header else component.run[slot]
        assert applied.slots[where].startswith(image.header_block)
    stage = set_up(Context(of, trust(variant), state, here.contents), ByteView(raw))
    played = rehearse(stage, ByteView(raw), pairs=0, seed="1")
    assert played.violation is None, played.violation
    record_property("lives after one cut", played.tally.singles)


def test_a_slot_whose_rewriting_was_cut(record_property: Callable[[str, object], None]) -> None:
    """In flash with ECC, without a staging slot: its start cannot be read when the device judges the package again."""
    asked = Question("eight components", frozenset({5, 8}), True, False, False, False, CIRCUMSTANCES[0], free=1)
    test_it_is_installed("", Row(asked, bill=False), record_property)


@pytest.mark.parametrize(("name", "number"), [("demo", 3), ("demo", 4), ("recovery image", 4), ("data in the NOR", 3)])
def test_a_first_release_of_nothing_that_starts(name: str, number: int) -> None:
    """Data or a recovery image alone, on a device that runs nothing: neither its state nor a rehearsal could go on."""
    asked = Question(name, frozenset({number}), False, False, False, False, CIRCUMSTANCES[0])
    assert answer(asked) == ACCEPTED
    of, anchors = product(variant_of(asked), update=False), trust(variant_of(asked))
    raw, digest = package(asked, bill=False)
    here = device(asked, digest)
    for play in (apply, set_up):
        with pytest.raises(UsageError) as caught:
            play(Context(of, anchors, here.state._replace(fresh=False), here.contents), ByteView(raw))
        assert caught.value.message.startswith("nothing would start on this device")
        assert caught.value.found == ("a recovery image alone" if number == 4 else of.components["phrases"].name)
