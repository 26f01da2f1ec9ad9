"""Puts a device on the stage: from a state file to simulated flash and back, and what may happen to it."""

from collections.abc import Mapping

from imgseal.check.context import Bytes
from imgseal.findings import Verdict
from imgseal.journal.record import TRIAL, UNPROVEN, Member, Record, encode, first_record
from imgseal.keys.trust import Trust
from imgseal.memory.view import ByteView
from imgseal.product.model import Product
from imgseal.product.record_room import COPIES
from imgseal.records import NamedTuple
from imgseal.rehearse.counters import Counters
from imgseal.rehearse.device import Device, Facts, Judgements
from imgseal.rehearse.flash import Block, Flash, Snapshot
from imgseal.rehearse.install import Brought, brought
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.life import Moment
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import Oracle, PermittedSet
from imgseal.rehearse.slots import Sealed, Slots, statement_digest
from imgseal.sealed.layout import FILL
from imgseal.state.device import DeviceState

__all__ = ["Stage", "read_slots", "set_up", "why_not"]


class Stage(NamedTuple):
    """A device, a package, its verdict on this device, and the oracle that knows what may follow."""

    facts: Facts
    moment: Moment
    oracle: Oracle
    verdict: Verdict


def set_up(
    product: Product,
    trust: Trust,
    state: DeviceState,
    contents: Mapping[str, Bytes],
    package: Bytes,
    *,
    development: bool = False,
) -> Stage:
    """Make the simulated device of a state file, and find out what the package is to make of it."""
    facts = Facts(
        product, trust, development, state.hardware, state.bootloader, state.battery_mwh, state.authorised,
        state.revoked,
    )  # fmt: skip
    blocks: Snapshot = {}
    for name, content in contents.items():
        _lay(blocks, product, name, bytes(content.read(0, content.size)))
    noise = Noise("the stage")
    record = _record(state, product, Slots(Flash(product, blocks, noise), product))
    _lay(blocks, product, _records_slot(product), encode(record, product.numbers) * COPIES)
    moment = Moment(blocks, dict(state.counters), frozenset(), 0, healthy=False)
    device = Device(facts, Flash(product, dict(blocks), noise), Counters(moment.counters, frozenset(), noise), package,
                    Judgements())  # fmt: skip
    verdict, subject = device.examine(package, record)
    old = _permitted(device, record.current) if device.judge_set(record.current) is None else None
    new: PermittedSet | None = None
    recoveries: list[Sealed] = []
    images: Mapping[int, Brought] = {}
    recovery = device.recovery
    header = None if recovery is None else device.slots.run_header(recovery, 0)
    if recovery is not None and header is not None:
        image = device.slots.read_run(recovery, 0, _digest_in(device.slots, recovery.run[0]))
        recoveries += [] if image is None else [image]
    way_back = False
    if verdict.accepted:
        images = brought(subject)
        offered = {statement_digest(payload) for payload in subject.envelope.payloads.values()}
        members: dict[int, Member] = dict(record.current)
        lying: dict[int, Sealed] = {} if old is None else dict(old.images)
        changed = []
        for number, image_brought in images.items():
            component = device.by_number[number]
            if component.recovery:
                recoveries.append(image_brought.image)
                continue
            kept = members.get(number)
            if kept is not None and kept.statement in offered:
                whole = device.slots.read_run(component, kept.slot, kept.statement)
                if whole is not None:
                    lying[number] = whole
                    continue
            changed.append(component)
            members[number] = Member(image_brought.slot, image_brought.image.digest)
            lying[number] = image_brought.image
        way_back = old is not None and all(component.returns for component in changed)
        if all(number in lying for number in members):
            counters = {n: _counter(image.header) for n, image in lying.items() if n in members}
            new = PermittedSet(members, lying, counters)
    first = dict(state.counters)
    if old is not None and record.phase == UNPROVEN:
        first = {**first, **{n: max(first.get(n, 0), value) for n, value in old.counters.items()}}
    if recovery is not None and new is not None:
        raised = {recovery.number: max([_counter(image.header) for image in recoveries], default=0)}
        new = new._replace(counters={**new.counters, **{n: v for n, v in raised.items() if recovery.number in images}})
    oracle = Oracle(
        product, old, new, way_back=way_back, recoveries=tuple(recoveries), first=first,
        target=(subject.manifest.sequence_number, subject.envelope.digest.value) if verdict.accepted else (0, b""),
    )  # fmt: skip
    return Stage(facts, moment, oracle, verdict)


def why_not(
    product: Product, trust: Trust, state: DeviceState, contents: Mapping[str, Bytes], *, development: bool = False
) -> str | None:
    """Return why a device in this state would not start its set; None when it would."""
    stage = set_up(product, trust, state, contents, ByteView(b""), development=development)
    flash = Flash(product, dict(stage.moment.blocks), Noise("the stage"))
    counters = Counters(stage.moment.counters, frozenset(), flash.noise)
    device = Device(stage.facts, flash, counters, None, Judgements())
    record = Journal(flash, product).open()
    return "no install record" if record is None else device.judge_set(record.current)


def _records_slot(product: Product) -> str:
    slot = product.slot_holding("records")
    assert slot is not None
    return slot.name


def _lay(blocks: Snapshot, product: Product, name: str, content: bytes) -> None:
    """Put bytes into an erased slot, as a programmer of the production line would."""
    slot = product.slots[name]
    memory = product.memories[slot.memory]
    size, unit = memory.erase_block, memory.write_unit
    for start in range(0, len(content), size):
        piece = content[start : start + size]
        if piece.count(FILL) == len(piece):
            continue
        units = -(-len(piece) // unit)
        done = (1 << units) - 1 if memory.program_once else 0
        blocks[slot.memory, (slot.at + start) // size] = Block(piece.ljust(size, b"\xff"), done, 0, False, b"")


def _record(state: DeviceState, product: Product, slots: Slots) -> Record:
    """Return the install record of a device state; members without a statement are those that lie in their slots."""

    def members(of: Mapping[int, Member]) -> dict[int, Member]:
        out = {}
        for component in product.components.values():
            member = of.get(component.number)
            if member is None or component.recovery:
                continue
            where = (component.header or component.run)[min(member.slot, len(component.run) - 1)]
            out[component.number] = Member(member.slot, member.statement or _digest_in(slots, where))
        return out

    settled = first_record(members(state.current), state.sequence, state.manifest_digest)
    settled = settled._replace(refused=state.refused)
    trial = state.trial
    if trial is None:
        return settled
    kept = sum(1 << product.numbers.index(number) for number in trial.kept if number in product.numbers)
    return settled._replace(
        phase=TRIAL if trial.way_back else UNPROVEN,
        attempts=max(0, product.rules.trial_attempts - trial.attempts_left),
        power_ons=max(0, product.rules.trial_power_ons - trial.power_ons_left),
        kept=kept,
        target_sequence=trial.sequence,
        target_digest=trial.manifest_digest,
        trial=trial.way_back,
        other=members(trial.previous),
    )


def _digest_in(slots: Slots, name: str) -> bytes:
    return statement_digest(slots.view(name).read(0, 512))


def _counter(header: bytes) -> int:
    from imgseal.sealed.codec import decode_header_block  # noqa: PLC0415 - a header that was judged

    return decode_header_block(header).statement.counter


def _permitted(device: Device, members: Mapping[int, Member]) -> PermittedSet:
    images = {}
    for number, member in members.items():
        image = device.slots.read_run(device.by_number[number], member.slot, member.statement)
        if image is not None:
            images[number] = image
    return PermittedSet(members, images, {n: _counter(image.header) for n, image in images.items()})


def read_slots(product: Product, moment: Moment) -> tuple[Record | None, dict[str, bytes]]:
    """Return the install record and what each slot holds, as far as it reaches; erased slots and records left out."""
    flash = Flash(product, dict(moment.blocks), Noise("the stage"))
    slots = Slots(flash, product)
    record = Journal(flash, product).open()
    out = {}
    for name, slot in product.slots.items():
        if slot.holds in ("records", "bootloader", "anchors"):
            continue
        header = slots.header(name)
        size = slot.size
        if header is not None:
            said = header.statement
            size = said.header_block + (0 if said.detached and name in _header_slots(product) else said.payload_size)
        data = slots.view(name).read(0, size)
        data = data if header is not None else data.rstrip(b"\xff")
        if data:
            out[name] = data
    return record, out


def _header_slots(product: Product) -> set[str]:
    return {name for component in product.components.values() for name in component.header}
