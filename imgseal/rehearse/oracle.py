"""What must hold whatever happens, each rule by its name. The oracle shares no judgement with the device.

It knows the bytes of the two permitted sets beforehand, and looks at the flash itself.
"""

from collections import Counter
from collections.abc import Mapping
from copy import copy

from imgseal.formats.install_record.record import DELIVERING, SETTLED, Member, Record
from imgseal.formats.sealed_image.codec import decode_header_block
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.rehearse.boot import SET, Started
from imgseal.rehearse.counters import Step
from imgseal.rehearse.flash import Flash, Operation
from imgseal.rehearse.slots import Sealed
from imgseal.rehearse.witness import Witness

Release = tuple[int, bytes | None]
"""What a record says of a release: sequence number and manifest digest."""

INVARIANTS = {
    "starts": "after every reset the bootloader starts a complete permitted set or resumes; it waits for the package "
    "or starts recovery only where no way back was promised, or there was nothing before",
    "judged": "an image that does not pass every check never starts",
    "verified": "nothing starts whose signatures were not verified since the reset, or before the bootloader wrote the "
    "mark that stands for exactly this; nobody else writes the mark",
    "one-set": "only members of one set start together",
    "counters": "counters never fall, and rise only after the new set has reported itself healthy, to its values",
    "flash": "the rules of the flash are kept, and nothing outside the slots of the update is touched",
    "attempts": "every trial start is recorded before it happens",
    "ends": "the end is the old set or the new set, complete, each with the sequence number of its release",
    "way-back": "a set that never reports itself healthy gives way to the set before, and its package is refused then",
    "settles": "a healthy set settles, and no other: its sequence number is raised, and its counters, or the record "
    "says that their storage does not take them",
}
"""Invariant -> what it says."""


class ViolationError(Exception):
    """An invariant does not hold: its name, and what was seen."""

    def __init__(self, invariant: str, message: str) -> None:
        super().__init__(f"{invariant}: {message}")
        self.invariant = invariant
        self.message = message


class PermittedSet(NamedTuple):
    """A set that may start: its members, the bytes of their images, and the counters they carry.

    A member without an image is damaged from the beginning, and not judged at boot: nothing is known of its bytes.
    """

    members: Mapping[int, Member]
    images: Mapping[int, Sealed]
    counters: Mapping[int, int]


def counter_of(image: Sealed) -> int:
    """Return the counter that an image carries."""
    return decode_header_block(image.header).statement.counter


class Promise(NamedTuple):
    """What may become of one device. `old` is None when nothing could start before, `new` when the package is refused.

    `way_back` tells that a trial is to be offered; `recoveries` are the recovery images on the device, `recovery` is
    that of the package; `first` the counters before; `target` is the release of the package, `before` are those that
    the device may hold without it; `full` are the counters that storage does not go beyond, and `unraised` tells that
    some of `old` were behind. A package may leave the running set as it is: then `changes` is false, `old` and `new`
    have the same members, and only the record tells whether the package was tried.
    """

    old: PermittedSet | None
    new: PermittedSet | None
    way_back: bool
    recoveries: tuple[Sealed, ...]
    first: Mapping[int, int]
    before: tuple[Release, ...]
    full: Mapping[int, int]
    unraised: bool
    recovery: Sealed | None = None
    target: tuple[int, bytes] = (0, b"")
    changes: bool = True


class Oracle:
    """Watches one device, and holds what it does against the promise."""

    def __init__(self, product: Product, promise: Promise) -> None:
        self.promise = promise
        self._product = product
        self._recoveries = promise.recoveries if promise.recovery is None else (*promise.recoveries, promise.recovery)
        self._by_number = {c.number: c for c in product.components.values()}
        self._recovery_number = next((c.number for c in product.components.values() if c.recovery), 0)
        self._allowed = self._ranges()
        self.witness = Witness(product)
        self._held: dict[object, bool] = {}  # what was compared before
        self.held: Counter[str] = Counter()  # how often each invariant was looked at

    def _ranges(self) -> dict[str, list[tuple[int, int]]]:
        components = self._product.components.values()
        names = {name for c in components for name in (*c.run, *c.header, c.staging, c.keep)}
        ranges: dict[str, list[tuple[int, int]]] = {}
        for slot in self._product.slots.values():
            if slot.name in names or slot.holds in ("records", "package", "boot-mark"):
                ranges.setdefault(slot.memory, []).append((slot.at, slot.at + slot.size))
        return ranges

    def apart(self) -> "Oracle":
        """Return one whose witness sees no other lives from here on."""
        out = copy(self)
        out.witness = self.witness.apart()
        out.held = Counter()
        return out

    def operation(self, operation: Operation) -> None:
        """Hold an operation against the slots that an update may touch."""
        self.held["flash"] += 1
        for start, end in self._allowed.get(operation.memory, ()):
            if start <= operation.at < end:
                break
        else:
            raise ViolationError("flash", f"{operation} lies in no slot that an update may change")
        if not self.witness.operation(operation):
            raise ViolationError("verified", f"{operation} changes the boot mark, and the bootloader has handed over")

    def counter_step(self, step: Step, *, healthy: bool) -> None:
        """Hold a counter step against what has been proven."""
        self.held["counters"] += 1
        number, value = step
        before = self.promise.first.get(number, 0)
        new = self.promise.new.counters.get(number, 0) if self.promise.new is not None and healthy else 0
        if healthy and self._by_number[number].recovery:
            new = max((counter_of(image) for image in self._recoveries), default=0)
        if value > max(before, new):
            raise ViolationError("counters", f"component {number}: {value}, though no healthy set has it yet")

    def started(self, started: Started, flash: Flash, *, source: bool) -> None:
        """Hold what was started against the two sets."""
        self.held.update(("starts", "judged", "verified", "one-set"))
        promise = self.promise
        if started.what != SET:
            self._without_set(started, flash, source=source)
            return
        if not self.witness.covers((member.statement for member in started.members.values()), flash):
            raise ViolationError("verified", "a set was started whose signatures nobody has verified")
        for known in (promise.old, promise.new):
            if known is not None and known.members == started.members:
                for number, member in known.members.items():
                    if number in known.images and not self._lies_there(
                        flash, number, member.slot, known.images[number]
                    ):
                        name = self._by_number[number].name
                        raise ViolationError("judged", f"{name} was started, and its run slot holds something else")
                return
        mixed = all(
            member in [s.members.get(number) for s in (promise.old, promise.new) if s is not None]
            for number, member in started.members.items()
        )
        raise ViolationError("one-set" if mixed else "judged", "members of different sets, or of none, were started")

    def _without_set(self, started: Started, flash: Flash, *, source: bool) -> None:
        if self.promise.old is not None and (self.promise.way_back or self.promise.new is None or source):
            raise ViolationError("starts", f"no set was started ({started.what}), though a way on was promised")
        if started.what != "recovery":
            return
        there = self._recoveries_there(flash)
        if not there:
            raise ViolationError("judged", "the recovery image was started, and its slot holds something else")
        if not any(self.witness.has_verified(image.digest) for image in there):
            raise ViolationError("verified", "the recovery image was started, and its signatures were not verified")

    def _recoveries_there(self, flash: Flash) -> list[Sealed]:
        return [image for image in self._recoveries if self._lies_there(flash, self._recovery_number, 0, image)]

    def has_recovery(self, flash: Flash) -> bool:
        """Say whether the recovery image of the package lies in its slot; also where the package brings none."""
        there = [image.digest for image in self._recoveries_there(flash)]
        return self.promise.recovery is None or self.promise.recovery.digest in there

    def _lies_there(self, flash: Flash, number: int, index: int, image: Sealed) -> bool:
        component = self._by_number[number]
        if component.header:
            return self._firm(flash, component.header[index], 0, image.header) and self._firm(
                flash, component.run[index], 0, image.payload
            )
        run = component.run[index]
        return self._firm(flash, run, 0, image.header) and self._firm(flash, run, len(image.header), image.payload)

    def _firm(self, flash: Flash, name: str, start: int, content: bytes) -> bool:
        """Say whether a slot holds these bytes from there on, and every read gives them."""
        slot = self._product.slots[name]
        where = slot.memory, slot.at + start, len(content)
        number = flash.sum_of(*where)
        if number is None:
            flash.note(*where)
            return False
        key = where, number, content
        if key not in self._held:
            self._held[key] = flash.peek(*where) == content
        return self._held[key]

    def is_tried(self, started: Started, record: Record | None) -> bool:
        """Say whether what was started is the set of the package, for the package: it may leave the set as it is."""
        ours = record is not None and record.target_digest == self.promise.target[1]
        return started.trial and ours and self.promise.new is not None and started.members == self.promise.new.members

    def is_refused(self, record: Record) -> bool:
        """Say whether the record remembers that the package has failed."""
        return self.promise.target[1] in record.refused

    def trial_start(self, record: Record, starts: int) -> None:
        """Hold the record against the trial starts so far, this one among them."""
        self.held["attempts"] += 1
        if record.attempts + record.power_ons < starts:
            raise ViolationError("attempts", f"start {starts} of the trial, and {record.attempts} + "
                            f"{record.power_ons} are recorded")  # fmt: skip

    def gone_back(self, record: Record) -> None:
        """Hold the record of a settled device whose trial of the package has ended without a report."""
        if self.promise.way_back and record.phase == SETTLED and not self.is_refused(record):
            raise ViolationError("way-back", "the package that failed is not remembered")

    def ended(
        self,
        started: Started,
        record: Record | None,
        counters: Mapping[int, int],
        flash: Flash,
        *,
        healthy: bool,
        source: bool,
        tried: bool,
    ) -> None:
        """Hold the end against what was promised; `tried` tells that the set of the package was started for it."""
        self.held.update(("ends", "settles", "way-back"))
        promise = self.promise
        runs_old = promise.old is not None and started.members == promise.old.members
        if promise.unraised and runs_old and record is not None and record.phase == SETTLED:
            self._still_behind(record, counters, flash)
        if promise.new is None:
            if promise.old is not None and started.members != promise.old.members:
                raise ViolationError("ends", "a package that was to be refused has changed the device")
            return
        if started.what != SET:
            if source:
                raise ViolationError("ends", f"the end is no set but {started.what}")
            return
        assert record is not None
        is_new = started.members == promise.new.members
        release = record.sequence, record.manifest_digest
        if promise.target in promise.before and release == promise.target and is_new and record.phase == SETTLED:
            return  # it was installed already
        if not source and not tried:
            # the package is gone, and nothing of it was ever started: the device is as it was
            if promise.old is None or started.members != promise.old.members or release not in promise.before:
                raise ViolationError("ends", f"the package was lost untried, and release {record.sequence} is there")
            return
        if not healthy and release not in promise.before:
            raise ViolationError("settles", f"sequence {record.sequence}, and its set never was healthy")
        if promise.way_back and not healthy:
            if is_new and (promise.old is None or promise.old.members != promise.new.members):
                raise ViolationError("way-back", "the set that never was healthy is still there")
            if not self.is_refused(record):
                raise ViolationError("way-back", "the package that failed is not remembered")
            return
        if not is_new:
            raise ViolationError("ends", "the package was there to the end, and its set is not")
        if healthy:
            self._settled(record, counters, flash, source=source)

    def _settled(self, record: Record, counters: Mapping[int, int], flash: Flash, *, source: bool) -> None:
        """Hold a device that runs the new set, which has reported itself healthy, against what settling promises."""
        assert self.promise.new is not None
        # the same release is delivered again for the recovery image that could not be rewritten at first
        again = record.phase == DELIVERING and not source
        if not (again or record.phase == SETTLED) or (record.sequence, record.manifest_digest) != self.promise.target:
            raise ViolationError("settles", f"sequence {record.sequence}, phase {record.phase}")
        if source and not self.has_recovery(flash):
            raise ViolationError("ends", "the package was there to the end, and its recovery image is not")
        known = [each.members for each in (self.promise.old, self.promise.new) if each is not None]
        if self.promise.way_back and record.phase == SETTLED and record.other not in known:
            raise ViolationError("settles", "the record does not name the set before")
        there = {} if again else self._recovery_counter(flash)
        behind = self._behind({**self.promise.new.counters, **there}, counters)
        if not again and behind != record.unraised:
            raise ViolationError("settles", f"counters are behind: {behind}; the record says {record.unraised}")

    def _still_behind(self, record: Record, counters: Mapping[int, int], flash: Flash) -> None:
        """Hold a device whose counters were behind against what it says now; each boot has tried again.

        A recovery image that came with a release that failed has its counter raised by the next one that settles.
        """
        assert self.promise.old is not None
        members = self._behind(self.promise.old.counters, counters)
        recovery = any(counters.get(n, 0) < value for n, value in self._recovery_counter(flash).items())
        if not members <= record.unraised <= (members or recovery):
            raise ViolationError("settles", f"counters are behind: {members}; the record says {record.unraised}")

    def _behind(self, wanted: Mapping[int, int], counters: Mapping[int, int]) -> bool:
        """Say whether counters are below these, which they may be where their storage does not take them."""
        for number, value in wanted.items():
            now = counters.get(number, 0)
            if now < min(value, self.promise.full.get(number, value)):
                raise ViolationError("settles", f"the counter of component {number} is {now}")
        return any(counters.get(number, 0) < value for number, value in wanted.items())

    def _recovery_counter(self, flash: Flash) -> dict[int, int]:
        there = self._recoveries_there(flash)
        return {self._recovery_number: counter_of(there[-1])} if there else {}
