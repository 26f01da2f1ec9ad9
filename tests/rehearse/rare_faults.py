"""Faults that show only after three cuts: what is counted, and comes to an end too early or in the wrong way.

Each is a mistake that real update code makes; common practice, no source.
"""

from typing import NamedTuple

from stages import text_of

from imgseal.formats.install_record.record import RETURNING, Record
from imgseal.rehearse.boot import Bootloader, Started
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


class Fault(NamedTuple):
    """The programs, the product file, and the invariant that breaks after three cuts; the set is one that fails."""

    programs: Programs
    product: str
    breaks: str


_TWO = text_of("two run slots")
RARE = {
    "starts counted to two": Fault(Programs(bootloader=CountsToTwo), _TWO, "attempts"),
    "often started is healthy": Fault(Programs(bootloader=OftenIsHealthy), _TWO, "counters"),
    "crashes alone are remembered": Fault(
        Programs(bootloader=RemembersCrashesOnly), f"{_TWO}\n[rules]\ntrial_power_ons = 3\n", "way-back"
    ),
    "copy back given up": Fault(Programs(bootloader=GivesUp), text_of("staged inside, kept"), "starts"),
}
