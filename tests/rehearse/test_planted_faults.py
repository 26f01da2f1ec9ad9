"""The rehearsal is itself tested: faults planted in boot, install and journal logic, one a case, have to be found.

Each is a mistake that real update code makes; common practice, no source. What they break are rules of
docs/format/install-record.md.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple

import pytest
from stages import newer, pair, small
from workshop import make

from imgseal.check.context import Context
from imgseal.check.package_subject import PackageSubject
from imgseal.findings import Verdict
from imgseal.formats.install_record.record import SETTLED, Member, Record, encode
from imgseal.formats.install_record.room import CHECK_BYTES
from imgseal.product.model import Component
from imgseal.rehearse import boot, install
from imgseal.rehearse.boot import Bootloader, Started
from imgseal.rehearse.counters import Counters
from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.cuts_text import Explored
from imgseal.rehearse.device import Device
from imgseal.rehearse.explore import Explorer
from imgseal.rehearse.install import Brought, Installer
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.settle import settle
from imgseal.rehearse.slots import Sealed, Slots
from imgseal.rehearse.stage import set_up
from imgseal.versions import Version
from imgseal.window import Bytes, ByteView


class Attacked(Bootloader):
    """Not a fault but an attacker: the external flash changes between check and use."""

    def second_look(self, staging: str, image: Sealed) -> Sealed:
        payload = bytes([image.payload[0], image.payload[1] ^ 1]) + image.payload[2:]
        return Sealed(image.header, payload)


class NoCheckAfterCopy(Attacked):
    def judge_placed(self, component: Component, member: Member) -> bool:
        return True


class JudgesLess(Device):
    """Images whose header verifies are started without a look at their payload."""

    def judge_member(self, component: Component, member: Member, versions: Mapping[int, Version] | None) -> str | None:
        return self.judge_run_slot(component, member.slot, versions, whole=False)


class JudgesFirstCoreOnly(Device):
    def judge_member(self, component: Component, member: Member, versions: Mapping[int, Version] | None) -> str | None:
        return super().judge_member(component, member, versions) if component.number == 1 else None


class TakesAnyMember(Device):
    """Each image is judged by itself; that it belongs to the set is not asked."""

    def judge_member(self, component: Component, member: Member, versions: Mapping[int, Version] | None) -> str | None:
        return self.judge_run_slot(component, member.slot, None, whole=True)


class GoesBackByHalves(Bootloader):
    def go_back(self, record: Record) -> Record | None:
        return super().go_back(record._replace(kept=0, placed=0))


class NoRequirements(Device):
    """Requirements are ignored, at installation and at boot."""

    def judge_set(self, members: Mapping[int, Member]) -> str | None:
        for number, member in members.items():
            why = self.judge_member(self.by_number[number], member, None)
            if why is not None:
                return why
        return None if members else "empty"

    def examine(self, source: Bytes, record: Record | None) -> tuple[Verdict, PackageSubject]:
        verdict, subject = super().examine(source, record)
        checks = tuple(check for check in verdict.checks if check.name != "requirements")
        return Verdict(verdict.name, verdict.kind, verdict.device, checks), subject


class CountersBeforeHealth(Bootloader):
    def start_trial(self, record: Record, *, power_on: bool) -> Started:
        started = super().start_trial(record, power_on=power_on)
        self.device.counters.take(min(record.current), 4)
        return started


class NoAttemptRecorded(Bootloader):
    def start_trial(self, record: Record, *, power_on: bool) -> Started:
        return self.start(record, trial=True)


class NeverGivesUp(Bootloader):
    def exhausted(self, record: Record) -> bool:
        return False


class ForgetsFailures(Bootloader):
    def go_back(self, record: Record) -> Record | None:
        return super().go_back(record._replace(refused=()))


class KeepsNothing(Bootloader):
    def keep(self, record: Record, component: Component) -> Record:
        return self.commit(record._replace(kept=record.kept | self.device.bit(component.number)))


class KeepsTooLate(Bootloader):
    """The keep slot is noted as filled before it is."""

    def keep(self, record: Record, component: Component) -> Record:
        noted = self.commit(record._replace(kept=record.kept | self.device.bit(component.number)))
        return super().keep(noted, component)


class NotesNoErase(Bootloader):
    """A run slot that no keep slot has a copy of is erased, and no record says so before."""

    def keep(self, record: Record, component: Component) -> Record:
        return super().keep(record, component) if record.trial else record


class PlacesTooLate(Bootloader):
    """The run slot is noted as rewritten before it is."""

    def place(self, record: Record, component: Component, image: Sealed) -> bool:
        noted = self.commit(record._replace(placed=record.placed | self.device.bit(component.number)))
        return super().place(noted, component, image)


class ErasesTheRunningSlot(Installer):
    def deliver(self, record: Record, component: Component, image: Brought, member: Member) -> Record | None:
        self.device.slots.erase_run(component, record.current[component.number].slot)
        return super().deliver(record, component, image, member)


class ReadsTheJournalAgain(Installer):
    def __init__(self, device: Device, journal: Journal) -> None:
        super().__init__(device, Journal(device.flash, device.product))
        self.journal.open()


class WritesWithoutTidying(Installer):
    """The installer changes slots while a torn record may still come back."""

    def begin(self, record: Record, sequence: int, digest: bytes) -> Record:
        tidied, self.journal._tidy = self.journal._tidy, True
        try:
            return super().begin(record, sequence, digest)
        finally:
            self.journal._tidy = tidied


class TrustsTornRecords(Journal):
    """The newest record that reads is acted upon, however few of its copies do."""

    def open(self) -> Record | None:
        found = self._scan()
        if not found:
            return None
        newest = max(found, key=lambda f: f.record.generation)
        self.record, self._place = newest.record, newest.place
        return self.record


class OneCopy(Journal):
    """A record is written once, and counts when it reads."""

    def _write(self, place: int, record: Record) -> bool:
        data, start = encode(record, self._components), self._base + place * self._size
        self._program(start, data[:-CHECK_BYTES])
        self._program(start + len(data) - CHECK_BYTES, data[-CHECK_BYTES:])
        return True

    def open(self) -> Record | None:
        found = self._scan()
        if found:
            newest = max(found, key=lambda f: f.record.generation)
            self.record, self._place = newest.record, newest.place
        return self.record


class ErasesTheOldRecordFirst(Journal):
    def commit(self, record: Record) -> Record:
        self.tidy()
        if self._place is not None:
            self._erase(self._place)
        return super().commit(record)


def sequence_first(device: Device, journal: Journal, record: Record) -> Record:
    """The counters come last, and are not repeated after a cut."""
    journal.commit(
        record._replace(
            phase=SETTLED, sequence=record.target_sequence, manifest_digest=record.target_digest, target_sequence=0,
            target_digest=None,
        )
    )  # fmt: skip
    assert journal.record is not None
    settle(
        device,
        journal,
        journal.record._replace(target_sequence=record.target_sequence, target_digest=record.target_digest),
    )
    return journal.record


ORDINARY_TAKE = Counters.take


def takes_what_reads_low(counters: Counters, component: int, step: int) -> None:
    """A counter that reads high enough is left alone, though its last step may be torn."""
    if step > counters.read(component):
        ORDINARY_TAKE(counters, component, step)


def erases_only_what_reads_programmed(slots: Slots, name: str) -> None:
    view = slots.view(name)
    if view.read(0, view.size).count(0xFF) != view.size:
        ORDINARY_ERASE(slots, name)


ORDINARY_ERASE = Slots.erase


class Fault(NamedTuple):
    """Where a fault is planted, in which product, and the invariants of which one has to be found broken."""

    programs: Programs
    product: str
    breaks: set[str]
    plant: Callable[[pytest.MonkeyPatch], None] = lambda _patch: None


def _settling(fault: Callable[[Device, Journal, Record], Record]) -> Callable[[pytest.MonkeyPatch], None]:
    def plant(patch: pytest.MonkeyPatch) -> None:
        patch.setattr(boot, "settle", fault)
        patch.setattr(install, "settle", fault)

    return plant


KEPT = "staged outside, kept"
FAULTS = {
    "no check after a copy": Fault(Programs(bootloader=NoCheckAfterCopy, device=JudgesLess), KEPT, {"judged"}),
    "counter raised before health": Fault(Programs(bootloader=CountersBeforeHealth), "two run slots", {"counters"}),
    "attempt not recorded": Fault(Programs(bootloader=NoAttemptRecorded), "two run slots", {"attempts"}),
    "never gives up": Fault(Programs(bootloader=NeverGivesUp), "two run slots", {"ends", "starts"}),
    "failed package not remembered": Fault(Programs(bootloader=ForgetsFailures), "two run slots", {"way-back"}),
    "keep slot not filled": Fault(Programs(bootloader=KeepsNothing), KEPT, {"starts"}),
    "keep slot noted too early": Fault(Programs(bootloader=KeepsTooLate), KEPT, {"starts"}),
    "run slot noted too early": Fault(Programs(bootloader=PlacesTooLate), KEPT, {"ends", "starts"}),
    "running slot erased": Fault(Programs(installer=ErasesTheRunningSlot), "two run slots", {"starts"}),
    "mixed set started": Fault(
        Programs(bootloader=GoesBackByHalves, device=TakesAnyMember), "two cores", {"judged", "one-set", "verified"}
    ),
    "half gone back": Fault(Programs(bootloader=GoesBackByHalves), "two cores", {"starts"}),
    "journal read by two programs": Fault(Programs(installer=ReadsTheJournalAgain), "two run slots", {"ends", "judged", "settles"}),
    "slots changed before tidying": Fault(Programs(installer=WritesWithoutTidying), "two run slots", {"flash"}),
    "torn record taken as valid": Fault(Programs(journal=TrustsTornRecords), KEPT, {"starts", "ends", "attempts", "settles", "flash"}),
    "one copy of a record": Fault(Programs(journal=OneCopy), KEPT, {"starts", "ends", "attempts", "settles"}),
    "old record erased first": Fault(Programs(journal=ErasesTheOldRecordFirst), "two run slots", {"starts"}),
    "sequence before counters": Fault(Programs(), "two run slots", {"settles"}, _settling(sequence_first)),
    "torn counter step left": Fault(
        Programs(), "two run slots", {"settles"},
        lambda patch: patch.setattr(Counters, "take", takes_what_reads_low),
    ),
    "erase left out where it reads erased": Fault(
        Programs(), "two run slots", {"judged", "starts", "ends"},
        lambda patch: patch.setattr(Slots, "erase", erases_only_what_reads_programmed),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_fault_is_found(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    fault = FAULTS[name]
    stage, package = pair(fault.product).stage, pair(fault.product).package
    fault.plant(monkeypatch)
    for seed in "12345678":
        found = rehearse(stage, package, pairs=None, seed=seed, programs=fault.programs).violation
        if found is not None:
            break
    assert found is not None, "not found"
    assert found.invariant in fault.breaks, found
    explorer = Explorer(stage, package, seed, fault.programs)
    again, events = explorer.replay(found.token)
    assert again is not None
    assert (again.invariant, again.message, events) == (found.invariant, found.message, found.events)


def every_sequence(stage: Stage, package: Bytes, device: type[Device]) -> tuple[Explored, ...]:
    return explore(Asking(stage, package, Programs(device=device), None, None, changing=False))


def test_requirement_ignored_is_found() -> None:
    """A package whose requirement the resulting set does not meet: the sound device refuses it, the faulty one starts it."""
    update = pair("two cores")
    asks = small("two cores", **newer(update.product))
    needy = asks.components["app"]
    need = needy.needs[0]._replace(least=Version(9, 0, 0))
    asks = asks._replace(components={**asks.components, "app": needy._replace(needs=(need,))})
    from stages import files

    shop = make(asks, files=files(asks, "two", only=("app",)))
    package = ByteView(shop.package)
    stage = set_up(Context(update.product, update.first.trust, update.state, update.contents), package)
    assert {f.code for f in stage.verdict.findings} == {"rules.requirement-not-met"}
    assert rehearse(stage, package, pairs=None, seed="1").violation is None
    found = rehearse(stage, package, pairs=None, seed="1", programs=Programs(device=NoRequirements)).violation
    assert found is not None
    assert found.invariant == "judged"
    assert {each.found and each.found.invariant for each in every_sequence(stage, package, NoRequirements)} == {
        "judged"
    }


def test_second_core_released_unjudged_is_found() -> None:
    """The radio core's image is damaged where it lies: the sound device starts nothing of the set."""
    update = pair("two cores")
    damaged = bytearray(update.contents["radio"].read(0, 4096))
    damaged[600] ^= 1
    contents = {**update.contents, "radio": ByteView(bytes(damaged))}
    stage = set_up(Context(update.product, update.first.trust, update.state, contents), update.package)
    assert rehearse(stage, update.package, pairs=0, seed="1").violation is None
    found = rehearse(stage, update.package, pairs=0, seed="1", programs=Programs(device=JudgesFirstCoreOnly)).violation
    assert found is not None
    assert found.invariant in {"judged", "verified"}
    assert all(each.found for each in every_sequence(stage, update.package, JudgesFirstCoreOnly))


def test_attack_between_check_and_use_ends_with_the_old_set() -> None:
    """RFC 9124 section 4.2.8 THREAT.IMG.REPLACE: the copy is judged again where it runs."""
    update = pair(KEPT)
    stage = update.stage
    explorer = Explorer(stage, update.package, "1", Programs(bootloader=Attacked))
    found = explorer.explore(0)
    # the set before is restored each time; the package itself has not failed, and is tried again for ever
    assert found is not None
    assert (found.invariant, "no end" in found.message) == ("ends", True)
    assert "boot: radio cannot be completed: going back" in found.events
    assert not any("release" in event for event in found.events)
