"""What a package may make of a device: the sets that are permitted, found once, before anything is played."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from imgseal.check.package_subject import PackageSubject
from imgseal.findings import Verdict
from imgseal.journal.record import UNPROVEN, Member, Record
from imgseal.rehearse.device import Device
from imgseal.rehearse.install import brought
from imgseal.rehearse.oracle import Oracle, PermittedSet
from imgseal.rehearse.slots import Sealed, statement_digest
from imgseal.sealed.codec import decode_header_block

if TYPE_CHECKING:
    from imgseal.product.model import Component

__all__ = ["expect"]


def expect(device: Device, record: Record, verdict: Verdict, subject: PackageSubject) -> Oracle:
    """Return the oracle for a device with this record and a package with this verdict."""
    old = _lying_there(device, record.current) if device.judge_set(record.current) is None else None
    first = dict(device.counters.firm)
    if old is not None and record.phase == UNPROVEN:  # it may still report itself healthy, and raise its counters
        first.update({n: max(first.get(n, 0), value) for n, value in old.counters.items()})
    recoveries = _recovery_there(device)
    if not verdict.accepted:
        return Oracle(device.product, old, None, way_back=False, recoveries=recoveries, first=first, target=(0, b""))
    new, changed, brought_recovery = _set_of_the_package(device, record, old, subject)
    recoveries += brought_recovery
    if new is not None and brought_recovery and device.recovery is not None:
        most = max(_counter(image) for image in recoveries)
        new = new._replace(counters={**new.counters, device.recovery.number: most})
    target = subject.manifest.sequence_number, subject.envelope.digest.value
    way_back = old is not None and all(component.returns for component in changed)
    return Oracle(device.product, old, new, way_back=way_back, recoveries=recoveries, first=first, target=target)


def _set_of_the_package(
    device: Device, record: Record, old: PermittedSet | None, subject: PackageSubject
) -> "tuple[PermittedSet | None, list[Component], tuple[Sealed, ...]]":
    """Return the set, the components that change, and the recovery image that the package brings, if any.

    What runs already, and is whole, stays. Without a set where a component of it is damaged and not brought.
    """
    offered = {statement_digest(payload) for payload in subject.envelope.payloads.values()}
    members: dict[int, Member] = dict(record.current)
    images: dict[int, Sealed] = {} if old is None else dict(old.images)
    changed, recovery = [], []
    for number, new in brought(subject).items():
        component = device.by_number[number]
        if component.recovery:
            recovery.append(new.image)
            continue
        runs = members.get(number)
        if runs is not None and runs.statement in offered:
            whole = device.slots.read_run(component, runs.slot, runs.statement)
            if whole is not None:
                images[number] = whole
                continue
        changed.append(component)
        members[number] = Member(new.slot, new.image.digest)
        images[number] = new.image
    known = all(number in images for number in members)
    permitted = PermittedSet(members, images, {n: _counter(images[n]) for n in members}) if known else None
    return permitted, changed, tuple(recovery)


def _lying_there(device: Device, members: Mapping[int, Member]) -> PermittedSet:
    images = {}
    for number, member in members.items():
        image = device.slots.read_run(device.by_number[number], member.slot, member.statement)
        if image is not None:
            images[number] = image
    return PermittedSet(members, images, {n: _counter(image) for n, image in images.items()})


def _recovery_there(device: Device) -> tuple[Sealed, ...]:
    recovery = device.recovery
    if recovery is None or device.slots.run_header(recovery, 0) is None:
        return ()
    digest = statement_digest(device.slots.view(recovery.run[0]).read(0, 512))
    image = device.slots.read_run(recovery, 0, digest)
    return () if image is None else (image,)


def _counter(image: Sealed) -> int:
    return decode_header_block(image.header).statement.counter
