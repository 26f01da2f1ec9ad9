"""What is wrong where a delivery is made, and the offers by which it shows."""

import hashlib
from collections.abc import Iterator
from contextlib import suppress
from typing import Any
from unittest.mock import patch

from delivered import TWO
from kinds import Rehearsed, of_kind
from spoilt import payload, stepped
from test_held_already import third

from imgseal.check import delivery_steps
from imgseal.check.machine.executor import Machine
from imgseal.check.package_subject import PackageSubject
from imgseal.check.patched import Stated, StatedPatch, patched
from imgseal.findings import Finding, Verdict
from imgseal.formats.install_record.record import DELIVERING, Member, Record
from imgseal.formats.suit.delivery import PLAIN, decode_delivery
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.product.model import Component
from imgseal.rehearse.adversary import Script
from imgseal.rehearse.device import Device, Judgements
from imgseal.rehearse.install import Brought, Installer
from imgseal.rehearse.life import Life, Programs, Scenario, Stage
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.stage import read_slots
from imgseal.window import Bytes, ByteView

STAYS = Scenario(healthy=True, source=True)


class WritesTheBase(Installer):
    """What is made goes over what it is made from."""

    def deliver(self, record: Record, component: Component, image: Brought, member: Member) -> Record | None:
        self.device.slots.erase_run(component, record.current[component.number].slot)
        return super().deliver(record, component, image, member)


class ErasesWhatWaits(Installer):
    """The delivery is no longer needed, it seems, once the last image is begun."""

    def deliver(self, record: Record, component: Component, image: Brought, member: Member) -> Record | None:
        waits = self.device.product.delivery_slot
        assert waits is not None
        self.device.slots.erase(waits)
        return super().deliver(record, component, image, member)


class HashesTheBaseOnce(Device):
    """After a cut the base is taken for what it was."""

    def examine(self, source: Bytes, record: Record | None) -> tuple[Verdict, PackageSubject]:
        if record is None or record.phase != DELIVERING:
            return super().examine(source, record)

        def from_any_base(stated: StatedPatch, data: bytes, held: bytes, where: str) -> bytes | Finding:
            assert stated.base is not None
            old = bytes(held[: stated.base.size])
            return patched(stated._replace(base=Stated(len(old), hashlib.sha256(old).digest())), data, held, where)

        with patch.object(delivery_steps, "patched", from_any_base):
            return super().examine(source, record)


class TakesAnyResult(Device):
    """What was made is not asked whether it is what the release names; it is judged as an image, as ever."""

    def examine(self, source: Bytes, record: Record | None) -> tuple[Verdict, PackageSubject]:
        plain = patch.object(delivery_steps, "_plain", lambda _stated, data, _where: data)
        with plain, patch.object(Machine, "_image_match", lambda machine, index: machine.matched.add(index)):
            return super().examine(source, record)


def another_base(name: str) -> tuple[Rehearsed, ByteView]:
    """Two deliveries of one release, of which the second is for a device that runs something else."""
    first = of_kind(name, "patch")
    steps = decode_delivery(decode_envelope(first.delivered.data).manifest).steps
    number, base = next((number, step.base) for number, step in enumerate(steps) if step.base is not None)
    other: Any = lambda step: step._replace(base=base._replace(digest=bytes(32)))  # noqa: E731
    return first, ByteView(stepped(first.delivered.data, other, number=number))


def said_after_each_cut(name: str, programs: Programs) -> Iterator[tuple[int, str, bool]]:
    """Cut the first of two deliveries at each operation, and offer the second: what is said of it, and whether
    a slot was changed for it."""
    first, second = another_base(name)
    cut = 0
    while True:
        life = Life(first.stage, STAYS, first.package, Judgements(), Script({}), programs)
        life.run(known=set(), cut=cut)
        if not life.was_cut:
            return
        yield cut, *said(first.stage._replace(moment=life.moment()), second, programs)
        cut += 1


def said(stage: Stage, data: Bytes, programs: Programs) -> tuple[str, bool]:
    """One session of a device that is offered something."""
    life = Life(stage, STAYS, data, Judgements(), Script({}), programs)
    with suppress(ViolationError):  # what is refused to the end
        life.run_session()
    words = [event.split()[-1] for event in life.device.events if event.startswith("install: ")]
    product = stage.facts.product
    changed = read_slots(product, life.moment())[1] != read_slots(product, stage.moment)[1]
    return "nothing" if not words or words[-1] == "device.nothing-new" else words[-1], changed


def another_result() -> tuple[Rehearsed, ByteView]:
    """A delivery whose step makes a sealed image of a release that is not the one inside: only its digest tells."""
    first = of_kind(TWO, PLAIN)
    later = decode_envelope(third(TWO, ("app",))).payloads["#app-b"]
    data = stepped(first.delivered.data, lambda step: step, bytes(later))
    assert len(payload(data)) == len(payload(first.delivered.data))
    return first, ByteView(data)
