"""Puts a device on the stage: from a state file to simulated flash and back, and what may happen to it."""

from collections.abc import Mapping

from imgseal.check.context import Context
from imgseal.device_state.device import DeviceState
from imgseal.errors import UsageError
from imgseal.formats.install_record.record import TRIAL, UNPROVEN, Member, Record, first_record, place_content
from imgseal.product.model import Product
from imgseal.rehearse.contents import Block, Contents
from imgseal.rehearse.device import Device, Facts, Judgements
from imgseal.rehearse.expect import expect
from imgseal.rehearse.flash import Flash, Snapshot, counts_units
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.life import Moment, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import Promise
from imgseal.rehearse.settle import goes_on
from imgseal.rehearse.slots import Slots, statement_digest
from imgseal.window import Bytes, ByteView


def set_up(context: Context, package: Bytes, *, full: Mapping[int, int] | None = None) -> Stage:
    """Make the simulated device of a state and its slots, and find out what the package is to make of it.

    `full` are the highest counters that storage takes. Without it a device whose state says that counters are behind
    takes no more of those. UsageError where the device takes the package and would start nothing: no code runs on it,
    and none is brought.
    """
    product, state = context.product, context.state
    blocks: Snapshot = Contents()
    for name, content in context.contents.items():
        _lay(blocks, product, name, bytes(content.read(0, content.size)))
    slots = Slots(Flash(product, blocks, Noise("the stage")), product)
    full = _behind(state, product, slots) if full is None else full
    facts = Facts(product, context.trust, context.development, state, full=full)
    record = _record(state, product, slots)
    records = product.slot_holding("records")
    assert records is not None
    unit = product.memories[records.memory].write_unit
    _lay(blocks, product, records.name, place_content(record, product.numbers, unit))
    moment = Moment(blocks, dict(state.counters), frozenset(), 0, tried=False, healthy=False)
    device = _device(facts, moment)
    if device.judge_set(record.current) is not None:
        record = goes_on(device, record) or record
    verdict, subject = device.examine(package, record)
    oracle = expect(device, record, verdict, subject)
    _refuse_without_start(device, oracle.promise)
    return Stage(facts, moment, oracle, verdict, subject.steps)


def _behind(state: DeviceState, product: Product, slots: Slots) -> dict[int, int]:
    """Return the counters of a device that says so which are below those of what runs: their storage takes no more."""
    out = {}
    for component in product.components.values() if state.unraised else ():
        index, now = state.running.get(component.number), state.counters.get(component.number, 0)
        header = None if index is None or index >= len(component.run) else slots.run_header(component, index)
        if header is not None and header.statement.counter > now:
            out[component.number] = now
    return out


def _refuse_without_start(device: Device, promise: Promise) -> None:
    if promise.new is None or promise.old is not None:
        return
    brought = [device.by_number[number] for number in promise.new.members]
    if not any(component.kind == "code" for component in brought):
        raise UsageError(
            "nothing would start on this device: no set runs on it, and the package brings no code for one",
            expected="a first release with a component that starts, or a device that has one",
            found=", ".join(component.name for component in brought) or "a recovery image alone",
            hint="install the release with the code first; build NAME=FILE takes data and recovery image along",
        )


def _device(facts: Facts, moment: Moment) -> Device:
    return Device(facts, *moment.storage(facts, Noise("the stage")), None, Judgements())


def why_not(context: Context) -> str | None:
    """Return why a device in this state would not start its set; None when it would."""
    stage = set_up(context, ByteView(b""))
    device = _device(stage.facts, stage.moment)
    record = Journal(device.flash, device.product).open()
    return "no install record" if record is None else device.judge_set(record.current)


def _lay(blocks: Snapshot, product: Product, name: str, content: bytes) -> None:
    """Put bytes into an erased slot, as a programmer of the production line would."""
    slot = product.slots[name]
    memory = product.memories[slot.memory]
    size, unit = memory.erase_block, memory.write_unit
    for start in range(0, len(content), size):
        piece = content[start : start + size]
        if memory.erased is not None and piece.count(memory.erased) == len(piece):
            continue
        units = -(-len(piece) // unit)
        done = (1 << units) - 1 if counts_units(memory) else 0
        blocks[slot.memory, (slot.at + start) // size] = Block(piece.ljust(size, bytes([memory.fill])), done, 0, False)


def _record(state: DeviceState, product: Product, slots: Slots) -> Record:
    """Return the install record of a device state; members without a statement are those that lie in their slots."""

    def members(of: Mapping[int, Member]) -> dict[int, Member]:
        out = {}
        for component in product.components.values():
            member = of.get(component.number)
            if member is None or component.recovery:
                continue
            where = (component.header or component.run)[min(member.slot, len(component.run) - 1)]
            statement = member.statement or statement_digest(slots.view(where).read(0, 512))
            out[component.number] = Member(member.slot, statement)
        return out

    settled = first_record(members(state.current), state.sequence, state.manifest_digest)
    settled = settled._replace(refused=state.refused, unraised=state.unraised, other=members(state.before))
    trial = state.trial
    if trial is None:
        return settled
    kept = sum(1 << product.numbers.index(number) for number in trial.kept if number in product.numbers)
    return settled._replace(
        phase=TRIAL if trial.way_back else UNPROVEN, kept=kept, trial=trial.way_back, other=members(trial.previous),
        attempts=max(0, product.rules.trial_attempts - trial.attempts_left),
        power_ons=max(0, product.rules.trial_power_ons - trial.power_ons_left),
        target_sequence=trial.sequence, target_digest=trial.manifest_digest,
    )  # fmt: skip


def read_slots(product: Product, moment: Moment) -> tuple[Record | None, dict[str, bytes]]:
    """Return the install record and what each slot holds, as far as it reaches; erased slots and records left out."""
    flash = Flash(product, Contents.of(moment.blocks), Noise("the stage"))
    slots = Slots(flash, product)
    record = Journal(flash, product).open()
    out = {}
    headers = {name for component in product.components.values() for name in component.header}
    for name, slot in product.slots.items():
        if slot.holds in ("records", "bootloader", "anchors", "package", "boot-mark"):
            continue
        header = slots.header(name)
        size, memory = slot.size, product.memories[slot.memory]
        if header is not None:
            said = header.statement
            size = said.header_block + (0 if said.detached and name in headers else said.payload_size)
        elif memory.erased is None:
            continue  # what no header begins reads as anything
        data = slots.view(name).read(0, size)
        data = data if header is not None else data.rstrip(bytes([memory.fill]))
        if data:
            out[name] = data
    return record, out
