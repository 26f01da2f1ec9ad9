"""What a package may make of a device: the sets that are permitted, found once, before anything is played."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from imgseal.check.package_subject import PackageSubject
from imgseal.findings import Verdict
from imgseal.formats.install_record.record import UNPROVEN, Member, Record
from imgseal.rehearse.device import Device
from imgseal.rehearse.install import brought
from imgseal.rehearse.oracle import Oracle, PermittedSet, Promise, Release, counter_of
from imgseal.rehearse.slots import Sealed, statement_digest

if TYPE_CHECKING:
    from imgseal.product.model import Component


def expect(device: Device, record: Record, verdict: Verdict, subject: PackageSubject) -> Oracle:
    """Return the oracle for a device with this record and a package with this verdict."""
    there = _lying_there(device, record.current)
    starts = device.judge_set(record.current) is None
    recoveries = _recovery_there(device)
    first = dict(device.counters.firm)
    before: tuple[Release, ...] = ((record.sequence, record.manifest_digest),)
    unproven = starts and record.phase == UNPROVEN  # it may still report itself healthy, and settle
    if unproven:
        before += ((record.target_sequence, record.target_digest),)
    if unproven or record.unraised:  # what is behind is tried again at each boot, also once a damaged set is mended
        _raise(first, {**there.counters, **_recovery_counter(device, recoveries)})
    old, full = there if starts else None, device.facts.full
    promise = Promise(old, None, False, recoveries, first, before, full, record.unraised)
    if not verdict.accepted:
        return Oracle(device.product, promise)
    new, changed, recovery = _set_of_the_package(device, record, there, subject)
    target = subject.manifest.sequence_number, subject.envelope.digest.value
    if record.unraised:
        if new is not None:
            _raise(first, {n: c for n, c in new.counters.items() if new.members[n] == record.current.get(n)})
        if recovery is not None:
            _raise(first, _recovery_counter(device, (recovery,)))
    # the release that runs unproven is not delivered again, and gets no trial, unless something of it is damaged
    again = target in before[1:] and not changed
    way_back = starts and not again and all(component.returns for component in changed)
    promise = promise._replace(new=new, way_back=way_back, recovery=recovery, target=target, changes=bool(changed))
    return Oracle(device.product, promise)


def _raise(counters: dict[int, int], to: Mapping[int, int]) -> None:
    counters.update({number: max(counters.get(number, 0), value) for number, value in to.items()})


def _set_of_the_package(
    device: Device, record: Record, there: PermittedSet, subject: PackageSubject
) -> "tuple[PermittedSet | None, list[Component], Sealed | None]":
    """Return the set, the components that change, and the recovery image that the package brings, if any.

    What runs already, and is whole, stays. Without a set where a component of it is damaged, not brought, and judged
    at every boot.
    """
    offered = {statement_digest(payload) for payload in subject.envelope.payloads.values()}
    members: dict[int, Member] = dict(record.current)
    images, counters = dict(there.images), dict(there.counters)
    changed: list[Component] = []
    recovery = None
    for number, new in brought(subject, device.known).items():
        component = device.by_number[number]
        if component.recovery:
            recovery = new.image
            continue
        runs = members.get(number)
        if runs is not None and runs.statement in offered:
            whole = device.slots.read_run(component, runs.slot, runs.statement)
            if whole is not None:
                images[number] = whole
                continue
        changed.append(component)
        members[number] = Member(new.slot, new.image.digest)
        images[number], counters[number] = new.image, counter_of(new.image)
    known = all(number in images or device.by_number[number].judged != "boot" for number in members)
    return PermittedSet(members, images, counters) if known else None, changed, recovery


def _lying_there(device: Device, members: Mapping[int, Member]) -> PermittedSet:
    """Return the set of a record, with the images of it that are whole; a counter needs the header alone."""
    images, counters = {}, {}
    for number, member in members.items():
        component = device.by_number[number]
        image = device.slots.read_run(component, member.slot, member.statement)
        if image is not None:
            images[number] = image
        header = device.slots.run_header(component, member.slot)
        if header is not None and statement_digest(header.statement_bytes) == member.statement:
            counters[number] = header.statement.counter
    return PermittedSet(members, images, counters)


def _recovery_there(device: Device) -> tuple[Sealed, ...]:
    recovery = device.recovery
    header = None if recovery is None else device.slots.run_header(recovery, 0)
    if recovery is None or header is None:
        return ()
    image = device.slots.read_run(recovery, 0, statement_digest(header.statement_bytes))
    return () if image is None else (image,)


def _recovery_counter(device: Device, recoveries: tuple[Sealed, ...]) -> dict[int, int]:
    recovery = device.recovery
    return {recovery.number: counter_of(recoveries[0])} if recovery is not None and recoveries else {}
