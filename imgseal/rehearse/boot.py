"""What the bootloader does between reset and start; docs/format/install-record.md, "At every reset".

Written the way the device's C code will be: one loop over the phases, each step repeatable after a cut.
"""

from collections.abc import Mapping

from imgseal.formats.install_record.record import (
    RETURNING,
    SETTLED,
    SETTLING,
    SWITCHING,
    TRIAL,
    UNPROVEN,
    Member,
    Record,
)
from imgseal.product.model import Component
from imgseal.records import NamedTuple
from imgseal.rehearse.device import Device
from imgseal.rehearse.flash import FlashReadError
from imgseal.rehearse.install import brought
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.mark import Mark
from imgseal.rehearse.settle import failed, goes_on, settle, tried
from imgseal.rehearse.slots import Sealed

SET, RECOVERY, WAITING = "set", "recovery", "waiting"
UNKNOWN = bytes(32)
"""The statement of a member of which nobody knows what its run slot holds."""


class Started(NamedTuple):
    """How a boot ended: a set runs, the recovery image runs, or the bootloader waits for a package.

    `trial` tells that the set has not reported itself healthy yet.
    """

    what: str
    members: Mapping[int, Member]
    trial: bool


class Bootloader:
    """One boot. `power_on` tells the cause of the reset; every other cause counts as an attempt of a trial."""

    def __init__(self, device: Device, journal: Journal) -> None:
        self.device = device
        self.journal = journal
        self.mark = Mark(device)
        self.marked = False

    def boot(self, *, power_on: bool) -> Started:
        """Resume what was begun, judge, and start."""
        device = self.device
        record = self.journal.open()
        device.mark(f"boot, power on {power_on}, tidied {self.journal.tidied}")
        if record is None:
            return self.without_set("there is no install record")
        for _ in range(8):  # each phase leads on to another one; a bound, because a bootloader must not spin
            if record.phase == SWITCHING:
                switched = self.switch(record)
                if switched is None:
                    return self.without_set("waiting for the package that was being installed")
                record = switched
            elif record.phase == RETURNING:
                back = self.go_back(record)
                if back is None:
                    return self.without_set("the set before cannot be restored")
                record = back
            elif record.phase == SETTLING:
                record = settle(device, self.journal, record)
            elif record.phase == TRIAL:
                why = self.judge_set(record.current)
                if why is None and not self.exhausted(record):
                    return self.start_trial(record, power_on=power_on)
                device.say(f"boot: the trial has failed: {why or 'no start is left'}")
                record = self.commit(failed(record))
            else:
                why = self.judge_set(record.current)
                if why is not None:
                    before = goes_on(device, record)
                    if before is None:
                        return self.without_set(why)
                    device.say(f"boot: the set before goes on: {why}")
                    record = self.commit(before)
                    continue
                if record.phase == SETTLED and record.unraised:
                    record = settle(device, self.journal, record)
                return self.start(record, trial=record.phase == UNPROVEN)
        raise AssertionError("the phases do not end")

    def commit(self, record: Record) -> Record:
        """Write a record; it counts from here on."""
        return self.journal.commit(record)

    # -- starting ---------------------------------------------------------------------------------------------------

    def exhausted(self, record: Record) -> bool:
        """Say whether a trial has had all its starts."""
        rules = self.device.product.rules
        return record.attempts >= rules.trial_attempts or record.power_ons >= rules.trial_power_ons

    def start_trial(self, record: Record, *, power_on: bool) -> Started:
        """Count the start first: a set that crashes at once must not start for ever."""
        if power_on:
            record = self.commit(record._replace(power_ons=record.power_ons + 1))
        else:
            record = self.commit(record._replace(attempts=record.attempts + 1))
        return self.start(record, trial=True)

    def judge_set(self, members: Mapping[int, Member]) -> str | None:
        """Judge the set that is to start; its mark stands for its signatures, and for nothing else."""
        self.marked = self.mark.stands_for(members)
        return self.device.judge_marked_set(members) if self.marked else self.device.judge_set(members)

    def start(self, record: Record, *, trial: bool) -> Started:
        """Start the code component with the lowest number; it releases the others, all of which have been judged.

        The mark comes last: whatever happens to it, the set starts.
        """
        if not self.marked:
            self.mark.write(record.current)
        cores = [c.name for c in self.device.components(record.current) if c.kind == "code"]
        self.device.say(f"boot: start {cores[0]}" + "".join(f", release {name}" for name in cores[1:]))
        return Started(SET, record.current, trial)

    def without_set(self, why: str) -> Started:
        """Start the recovery image if it passes every check by itself; else wait for a package."""
        device = self.device
        self.forget_touched()
        recovery = device.recovery
        device.say(f"boot: no set starts: {why}")
        if recovery is not None and device.judge_recovery(self.journal.record) is None:
            device.say(f"boot: start {recovery.name}")
            return Started(RECOVERY, {}, False)
        return Started(WAITING, {}, False)

    def forget_touched(self) -> None:
        """Hand on what is not known: the image in a run slot whose rewriting was cut short.

        Such a slot may read as before for a while. It stays a member of the set, which so does not start.
        """
        record = self.journal.record
        if record is not None and record.kept:
            current = {
                number: member._replace(statement=UNKNOWN) if record.kept & self.device.bit(number) else member
                for number, member in record.current.items()
            }
            self.journal.record = record._replace(current=current)

    # -- switching --------------------------------------------------------------------------------------------------

    def switch(self, record: Record) -> Record | None:
        """Rewrite the run slots that have no second one; None when the package is needed and not there."""
        device = self.device
        changed = [c for c in device.components(record.other) if self.is_switched(record, c)]
        changed.sort(key=lambda c: c.staging is not None)  # those that need the package first
        if not record.kept and not record.placed and any(self.content(record, c) is None for c in changed):
            device.say("boot: what was delivered is not whole any more; nothing was changed")
            return self.commit(_settled_before(record))
        for component in changed:
            bit = device.bit(component.number)
            if record.placed & bit:
                continue
            had = component.number in record.current
            if had and not record.kept & bit:
                record = self.keep(record, component)
            image = self.content(record, component)
            if image is not None and self.place(record, component, image):
                record = self.commit(record._replace(placed=record.placed | bit))
            elif record.trial:
                device.say(f"boot: {component.name} cannot be completed: going back")
                return self.commit(failed(record))
            else:
                return None
        return self.commit(tried(record))

    def is_switched(self, record: Record, component: Component) -> bool:
        """Say whether a component is to be rewritten in place: it was delivered, and has no second run slot."""
        delivered = bool(record.prepared & self.device.bit(component.number))
        return delivered and len(component.run) == 1

    def content(self, record: Record, component: Component) -> Sealed | None:
        """Return the delivered image of a component, whole: from its staging slot, else from the package itself."""
        device = self.device
        member = record.other[component.number]
        if component.staging is not None:
            waiting = device.slots.read_waiting(component.staging, member.statement)
            if waiting is not None:
                return waiting
        return self.from_package(record, member)

    def from_package(self, record: Record, member: Member) -> Sealed | None:
        """Read an image from the package, if that is there and the one that the record names."""
        device = self.device
        if device.source is None:
            return None
        verdict, subject = device.examine(device.source, record)
        if not verdict.accepted or subject.envelope.digest.value != record.target_digest:
            return None
        return next(
            (b.image for b in brought(subject, device.known).values() if b.image.digest == member.statement), None
        )

    def keep(self, record: Record, component: Component) -> Record:
        """Record, before a run slot of the set before is touched, that it is; what has no copy has no way back.

        Without it a slot whose erase was cut might read as before, and be taken for one that nobody touched.
        """
        trial = record.trial and self.copied(record, component)
        return self.commit(record._replace(trial=trial, kept=record.kept | self.device.bit(component.number)))

    def copied(self, record: Record, component: Component) -> bool:
        """Copy the image before into the keep slot, verified."""
        device, statement = self.device, record.current[component.number].statement
        keep = component.keep  # an application can write a record that offers a trial without one
        before = None if keep is None else device.slots.read_run(component, 0, statement)
        if keep is None or before is None:
            device.say(f"boot: {component.name} is damaged: there is no way back")
            return False
        self.journal.tidy()
        device.slots.erase(keep)
        device.mark(f"keep {component.name}: erased")
        device.slots.fill_waiting(keep, before)
        if device.slots.read_waiting(keep, before.digest) is None:
            return False
        device.say(f"boot: kept {component.name} in {keep}")
        return True

    def place(self, record: Record, component: Component, image: Sealed) -> bool:
        """Rewrite a run slot and judge the image again where it runs: what was copied may have come from outside."""
        device = self.device
        self.journal.tidy()
        device.slots.erase_run(component, 0)
        device.mark(f"place {component.name}: erased")
        try:
            device.slots.fill_run(component, 0, self.taken(record, component, image))
        except FlashReadError:
            return False
        device.say(f"boot: rewrote {component.run[0]}")
        return self.judge_placed(component, record.other[component.number])

    def taken(self, record: Record, component: Component, image: Sealed) -> Sealed:
        """Return what is copied: no bootloader has room for a whole image, so a staging slot is read a second time."""
        slots = self.device.slots
        member = record.other[component.number]
        if component.staging is None or slots.read_waiting(component.staging, member.statement) is None:
            return image
        return self.second_look(component.staging, image)

    def second_look(self, staging: str, image: Sealed) -> Sealed:
        """Read a staging slot between the check and the use."""
        return self.device.slots.read_again(staging, image)

    def judge_placed(self, component: Component, member: Member) -> bool:
        """Judge a rewritten run slot: the image that the record names, all of it."""
        device = self.device
        if device.slots.read_run(component, 0, member.statement) is None:
            return False
        return device.judge_run_slot(component, 0, None, whole=True) is None

    # -- going back -------------------------------------------------------------------------------------------------

    def go_back(self, record: Record) -> Record | None:
        """Restore the run slots of the set before from their keep slots; None when one cannot be."""
        device = self.device
        for component in device.components(record.current):
            bit = device.bit(component.number)
            if not record.kept & bit:
                continue
            member = record.current[component.number]
            keep = component.keep  # an application can write a record that names what the product has not
            image = None if keep is None else device.slots.read_waiting(keep, member.statement)
            if image is None:
                return None
            self.journal.tidy()
            device.slots.erase_run(component, 0)
            device.mark(f"restore {component.name}: erased")
            device.slots.fill_run(component, 0, image)
            if not self.judge_placed(component, member):
                return None
            device.say(f"boot: restored {component.name} from {component.keep}")
            record = self.commit(record._replace(kept=record.kept & ~bit))
        return self.commit(_settled_before(record))


def _settled_before(record: Record) -> Record:
    """Return the record of the current set, with nothing going on."""
    return record._replace(
        phase=SETTLED, attempts=0, power_ons=0, prepared=0, kept=0, placed=0, target_sequence=0, target_digest=None,
        trial=False, other={},
    )  # fmt: skip
