"""What the installer does with a package, in the application, the recovery image or on the production line.

docs/format/install-record.md, "Delivery". Everything that the running set needs stays untouched; only the bootloader
rewrites run slots that have no second one.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from imgseal.check.package_subject import PackageSubject
from imgseal.formats.install_record.record import DELIVERING, EMPTY, SETTLED, SWITCHING, TRIAL, UNPROVEN, Member, Record
from imgseal.formats.sealed_image.codec import decode_header_block
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.product.model import Component
from imgseal.records import NamedTuple
from imgseal.rehearse.device import Device
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.settle import healthy, settle, tried
from imgseal.rehearse.slots import Remembered, Sealed, statement_digest

if TYPE_CHECKING:
    from imgseal.formats.suit.component import OurComponent

DELIVERED, NOTHING_TO_DO, FAILED = "delivered", "nothing to do", "failed"


class Brought(NamedTuple):
    """One image that a package brings to this device: the run slot it is linked for, and the image."""

    slot: int
    image: Sealed


def brought(subject: PackageSubject, known: Remembered) -> Mapping[int, Brought]:
    """Return by component number what the accepted package installs on the device it was judged for."""
    parts: dict[OurComponent, memoryview] = dict(subject.installed)
    out = {}
    for part, data in parts.items():
        if part.header:
            payload = parts[part._replace(header=False)]
            out[part.number] = Brought(part.slot, known.sealed(bytes(data), payload))
        elif part._replace(header=True) not in parts:
            size = decode_header_block(bytes(data[:HEADER_BLOCK_MAX])).statement.header_block
            out[part.number] = Brought(part.slot, known.sealed(bytes(data[:size]), data[size:]))
    return out


class Installer:
    """The program that takes packages and reports health.

    The journal is the bootloader's, handed over in RAM: who reads it again might see a torn record that the bootloader
    did not see, and report the health of a set that does not run.
    """

    def __init__(self, device: Device, journal: Journal) -> None:
        self.device = device
        self.journal = journal

    def install(self) -> str:
        """Judge the package and deliver what it changes.

        Returns DELIVERED (reset now), NOTHING_TO_DO, FAILED, or the code of the finding for which it is refused.
        """
        device = self.device
        if device.source is None:
            return NOTHING_TO_DO
        record = self.journal.record or EMPTY
        verdict, subject = device.examine(device.source, record)
        if not verdict.accepted:
            code = verdict.findings[0].code if verdict.findings else "no finding"
            device.say(f"install: refused: {code}")
            return code
        images = brought(subject, device.known)
        digest, sequence = subject.envelope.digest.value, subject.manifest.sequence_number
        startable = device.judge_set(record.current) is None
        offered = {statement_digest(payload) for payload in subject.envelope.payloads.values()}
        wanted = {n: Member(b.slot, b.image.digest) for n, b in images.items() if self.is_new(record, n, offered)}
        recovery = self.recovery_to_write(record, images, startable=startable)
        known = (record.sequence, record.manifest_digest), (record.target_sequence, record.target_digest)
        runs = known[0] if record.phase == SETTLED else known[1] if record.phase == UNPROVEN else None
        if not wanted and recovery is None and (sequence, digest) == runs:
            return NOTHING_TO_DO
        record = self.begin(record, sequence, digest)
        if recovery is not None and not record.prepared & device.bit(recovery.number):
            written = self.write_recovery(record, recovery, images[recovery.number])
            if written is None:
                return FAILED
            record = written
        for component in device.components(wanted):
            if record.prepared & device.bit(component.number):
                continue
            delivered = self.deliver(record, component, images[component.number], wanted[component.number])
            if delivered is None:
                return FAILED
            record = delivered
        record = record._replace(trial=startable and all(c.returns for c in device.components(wanted)))
        if any(len(component.run) == 1 for component in device.components(wanted)):
            self.journal.commit(record._replace(phase=SWITCHING, kept=0, placed=0))
        else:
            self.journal.commit(tried(record))
        device.say("install: delivered")
        return DELIVERED

    def is_new(self, record: Record, number: int, offered: set[bytes]) -> bool:
        """Say whether a component has to be written: the package does not offer what runs now, or that is damaged.

        `offered` are the statement digests of all builds in the package: what runs may be the build for either slot.
        """
        component = self.device.by_number[number]
        member = record.current.get(number)
        if component.recovery:
            return False
        if member is None or member.statement not in offered:
            return True
        return self.device.slots.read_run(component, member.slot, member.statement) is None

    def begin(self, record: Record, sequence: int, digest: bytes) -> Record:
        """Record what is being delivered, unless a cut has only interrupted just that.

        What it brings is not known yet where a package comes in pieces: each image is named once it is there.
        """
        if record.phase == DELIVERING and record.target_digest == digest:
            self.journal.tidy()
            return record
        return self.journal.commit(
            record._replace(
                phase=DELIVERING, attempts=0, power_ons=0, prepared=0, kept=0, placed=0, target_sequence=sequence,
                target_digest=digest, trial=False, other=dict(record.current),
            )
        )  # fmt: skip

    def deliver(self, record: Record, component: Component, image: Brought, member: Member) -> Record | None:
        """Write an image to where it may go while the set runs: the free run slot, or the staging slot."""
        device = self.device
        if len(component.run) > 1:
            device.slots.erase_run(component, image.slot)
            device.mark(f"deliver {component.name}: erased")
            device.slots.fill_run(component, image.slot, image.image)
            whole = device.slots.read_run(component, image.slot, image.image.digest) is not None
            if not whole or device.judge_run_slot(component, image.slot, None, whole=True) is not None:
                return None
            device.say(f"install: wrote {component.run[image.slot]}")
        elif component.staging is not None:
            device.slots.erase(component.staging)
            device.mark(f"deliver {component.name}: erased")
            device.slots.fill_waiting(component.staging, image.image)
            if device.slots.read_waiting(component.staging, image.image.digest) is None:
                return None
            device.say(f"install: wrote {component.staging}")
        return self.prepared(record._replace(other={**record.other, component.number: member}), component)

    def prepared(self, record: Record, component: Component) -> Record:
        """Record that a component is delivered and verified."""
        return self.journal.commit(record._replace(prepared=record.prepared | self.device.bit(component.number)))

    def recovery_to_write(self, record: Record, images: Mapping[int, Brought], *, startable: bool) -> Component | None:
        """Return the recovery component when the package brings another one and it may be rewritten now.

        It is rewritten only while a set can start, or where it could not start itself: never from the last thing that
        still runs.
        """
        device = self.device
        recovery = device.recovery
        if recovery is None or recovery.number not in images:
            return None
        image = images[recovery.number].image
        starts = device.judge_recovery(record) is None
        if starts and (not startable or device.slots.read_run(recovery, 0, image.digest) is not None):
            return None
        return recovery

    def write_recovery(self, record: Record, recovery: Component, image: Brought) -> Record | None:
        """Rewrite the recovery image in place."""
        device = self.device
        if not record.recovery:
            record = self.journal.commit(record._replace(recovery=True))
        device.slots.erase_run(recovery, 0)
        device.mark(f"deliver {recovery.name}: erased")
        device.slots.fill_run(recovery, 0, image.image)
        device.say(f"install: wrote {recovery.run[0]}")
        if device.judge_run_slot(recovery, 0, None, whole=True) is not None:
            return None
        return self.prepared(record._replace(recovery=False), recovery)

    def report_healthy(self) -> None:
        """Settle the set that runs: record, counters, sequence, in this order."""
        record = self.journal.record
        if record is None or record.phase not in (TRIAL, UNPROVEN):
            return
        self.device.say("the set reports itself healthy")
        settle(self.device, self.journal, self.journal.commit(healthy(record)))
