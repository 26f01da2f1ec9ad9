"""The record's ways from one phase to the next, and how a set settles; docs/format/install-record.md, "Phases"."""

from imgseal.formats.install_record.layout import REFUSED
from imgseal.formats.install_record.record import RETURNING, SETTLED, SETTLING, SWITCHING, TRIAL, UNPROVEN, Record
from imgseal.product.model import Component
from imgseal.rehearse.device import Device
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.slots import statement_digest


def tried(record: Record) -> Record:
    """Return the record with which a delivered set is started for the first time."""
    counting = record._replace(attempts=0, power_ons=0, prepared=0, placed=0, current=record.other)
    if record.trial:
        return counting._replace(phase=TRIAL, other=record.current)
    return counting._replace(phase=UNPROVEN, unraised=False, kept=0, other={})


def failed(record: Record) -> Record:
    """Return the record with which a device goes back; a package that was started is remembered as failed."""
    before = record.current if record.phase == SWITCHING else record.other
    refused = record.refused
    if record.phase == TRIAL and record.target_digest is not None:
        refused = (*refused, record.target_digest)[-REFUSED:]
    return record._replace(phase=RETURNING, current=before, other={}, refused=refused)


def healthy(record: Record) -> Record:
    """Return the record of a set that has reported itself healthy; the set before stays named, as it may lie there."""
    return record._replace(phase=SETTLING, attempts=0, power_ons=0, kept=0, trial=False)


def goes_on(device: Device, record: Record) -> Record | None:
    """Return the record with which the set before goes on where a settled set fails; None where it cannot.

    Every member of it has to lie in its run slot. The storage has to hold the counters of the set that failed: then a
    set with lower ones is refused, and nothing is rolled back.
    """
    if record.phase != SETTLED or record.unraised or device.judge_set(record.other) is not None:
        return None
    return failed(record)


def settle(device: Device, journal: Journal, record: Record) -> Record:
    """Raise the counters to those of the healthy set, then the sequence; all of it may be repeated after a cut.

    Counters that their storage does not take hold nothing up: the record says so, and each boot tries again.
    """
    settling = record.phase == SETTLING
    unraised = False
    if settling:
        # whoever writes records must not raise counters with them
        unraised = device.judge_set(record.current) is not None
        journal.tidy()
    members = [(c, member.slot, member.statement) for c in device.components({} if unraised else record.current)
               for member in [record.current[c.number]]]  # fmt: skip
    recovery = device.recovery
    if recovery is not None and device.judge_recovery(record) is None:
        members.append((recovery, 0, b""))
    for component, slot, statement in members:
        if slot >= len(component.run):
            continue
        header = device.slots.run_header(component, slot)
        if header is None or (statement and statement_digest(header.statement_bytes) != statement):
            unraised = True
            continue  # the set is judged before it starts again, and will be refused
        value = header.statement.counter
        before = device.counters.read(component.number)
        now = raised(device, component, value)
        if now < value:
            unraised = True
            device.say(
                f"settle: counter of {component.name} stays {now}, its storage does not take {value}: "
                "until it does, nothing but the install record keeps older firmware out"
            )
        elif before < value:
            device.say(f"settle: counter of {component.name} is {value}")
    if settling:
        record = journal.commit(
            record._replace(
                phase=SETTLED, sequence=record.target_sequence, manifest_digest=record.target_digest,
                target_sequence=0, target_digest=None, unraised=unraised,
            )
        )  # fmt: skip
        device.say(f"settle: sequence {record.sequence}")
    elif not unraised:
        record = journal.commit(record._replace(unraised=False))
    return record


def raised(device: Device, component: Component, value: int) -> int:
    """Raise a counter as far as its storage goes, and read it back.

    What is reached already is taken again: a cut may have torn it.
    """
    counters, number = device.counters, component.number
    now = counters.read(number)
    if component.counter_storage == "value":
        if max(now, 1) <= value:
            counters.raise_to(number, value)
    else:
        for step in range(max(now, 1), value + 1):
            if not counters.take(number, step):
                break
    return counters.read(number)
