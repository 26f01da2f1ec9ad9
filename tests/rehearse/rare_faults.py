"""Faults that show only after three cuts: what is counted, and comes to an end too early or in the wrong way.

Each is a mistake that real update code makes; common practice, no source.
"""

from typing import NamedTuple

from stages import text_of

from imgseal.formats.install_record.record import DELIVERING, RETURNING, SETTLED, SETTLING, Member, Record
from imgseal.product.model import Component
from imgseal.rehearse.boot import Bootloader, Started
from imgseal.rehearse.install import Brought, Installer
from imgseal.rehearse.life import Programs
from imgseal.rehearse.settle import healthy, settle


class CountsToTwo(Bootloader):
    """Starts after power-on are counted in too few bits."""

    def start_trial(self, record: Record, *, power_on: bool) -> Started:
        if power_on and record.power_ons == 2:
            return self.start(record, trial=True)
        return super().start_trial(record, power_on=power_on)


class OftenIsHealthy(Bootloader):
    """What has been started so often cannot be that bad."""

    def start_trial(self, record: Record, *, power_on: bool) -> Started:
        if record.power_ons == 3:
            settle(self.device, self.journal, self.commit(healthy(record)))
        return super().start_trial(record, power_on=power_on)


class RemembersCrashesOnly(Bootloader):
    """A package whose set ran out of starts after power-on is not remembered as failed."""

    def commit(self, record: Record) -> Record:
        if record.phase == RETURNING and record.power_ons >= self.device.product.rules.trial_power_ons:
            record = record._replace(refused=())
        return super().commit(record)


class GivesUp(Bootloader):
    """A copy back that was cut short again and again is taken for done."""

    def go_back(self, record: Record) -> Record | None:
        if record.power_ons >= 3 and record.kept:
            return super().go_back(record._replace(kept=0))
        if record.kept:
            record = self.commit(record._replace(power_ons=record.power_ons + 1))
        return super().go_back(record)


class SettlesAnyway(Bootloader):
    """Raising counters that was cut short twice is left to the next release."""

    def boot(self, *, power_on: bool) -> Started:
        record = self.journal.open()
        if record is not None and record.phase == SETTLING:
            if record.attempts == 2:
                self.commit(
                    record._replace(
                        phase=SETTLED, attempts=0, sequence=record.target_sequence, target_sequence=0,
                        manifest_digest=record.target_digest, target_digest=None,
                    )
                )  # fmt: skip
            else:
                self.commit(record._replace(attempts=record.attempts + 1))
        return super().boot(power_on=power_on)


class ErasedBefore(Installer):
    """A slot whose delivery was cut short three times is taken for erased."""

    def begin(self, record: Record, sequence: int, digest: bytes) -> Record:
        begun = record.phase == DELIVERING
        record = super().begin(record, sequence, digest)
        self.again = min(record.power_ons + 1, 3) if begun else 0
        return self.journal.commit(record._replace(power_ons=self.again)) if begun else record

    def deliver(self, record: Record, component: Component, image: Brought, member: Member) -> Record | None:
        slots = self.device.slots
        if self.again == 3:
            slots.erase_run = lambda component, index: None  # type: ignore[method-assign] # noqa: ARG005
        return super().deliver(record, component, image, member)


class Fault(NamedTuple):
    """The programs, the product file, and the invariant that breaks after three cuts; most need a set that fails."""

    programs: Programs
    product: str
    breaks: str
    healthy: bool = False


_TWO = text_of("two run slots")
RARE = {
    "starts counted to two": Fault(Programs(bootloader=CountsToTwo), _TWO, "attempts"),
    "often started is healthy": Fault(Programs(bootloader=OftenIsHealthy), _TWO, "counters"),
    "crashes alone are remembered": Fault(
        Programs(bootloader=RemembersCrashesOnly), f"{_TWO}\n[rules]\ntrial_power_ons = 3\n", "way-back"
    ),
    "settled anyway": Fault(Programs(bootloader=SettlesAnyway), _TWO, "settles", healthy=True),
    "taken for erased": Fault(Programs(installer=ErasedBefore), _TWO, "ends", healthy=True),
    "copy back given up": Fault(Programs(bootloader=GivesUp), text_of("staged inside, kept"), "starts"),
}
