"""Booting by digest in the rehearsal; docs/format/boot-mark.md. The compiled code is asked the same in tests/device_code."""

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

import mark_rules
import pytest
from marked import MARKED_TWO, adversary, updated
from stages import MARKED, pair

from imgseal.formats.install_record.boot_mark import boot_mark
from imgseal.formats.install_record.record import Member, Record
from imgseal.rehearse import mark
from imgseal.rehearse.boot import Bootloader, Started
from imgseal.rehearse.device import Device, Facts
from imgseal.rehearse.flash import FlashReadError
from imgseal.rehearse.install import Installer
from imgseal.rehearse.life import Programs
from imgseal.rehearse.mark import Mark
from imgseal.rehearse.play import rehearse


def own(_facts: Facts) -> Programs:
    return Programs()


@pytest.mark.parametrize("rule", mark_rules.RULES, ids=lambda rule: rule.__name__)
def test_rule(rule: Callable[[mark_rules.Make], str | None]) -> None:
    assert rule(own) is None


def test_the_adversary_reaches_what_it_is_for() -> None:
    """It starts sets by their marks and without them, and is refused more often than not."""
    seen: Counter[str] = Counter()
    for name in MARKED:
        assert adversary(name, Programs(), Programs(), 2, 30, lambda what: seen.update([what])) is None
    assert seen["set by mark"] > 50
    assert seen["set"] > 50
    assert seen["waiting"] + seen["recovery"] > 200


@pytest.mark.parametrize("name", MARKED)
def test_first_installation(name: str) -> None:
    stage, package = mark_rules.first_installation(name)
    assert rehearse(stage, package, pairs=100, seed="1").violation is None


def test_one_write_for_each_change() -> None:
    """Healthy: the set before, and the new one. Failing: the set before once more when it is back."""
    for name in MARKED:
        plain = rehearse(
            pair(name.removesuffix(", at boot by digest")).stage, pair(name).package, pairs=0, seed="1"
        ).tally
        marked = rehearse(pair(name).stage, pair(name).package, pairs=0, seed="1").tally
        failing = 3 if pair(name).stage.oracle.promise.way_back else 2
        for scenario, extra in (("healthy-kept", 2), ("failing-kept", failing)):
            assert marked.operations[scenario] - plain.operations[scenario] == 2 * extra, name


# -- faults, one a case -----------------------------------------------------------------------------------------------------


class TrustsABeginning(Mark):
    """A mark that was torn after its first unit is taken for whole."""

    def stands_for(self, members: Mapping[int, Member]) -> bool:
        if self._slot is None:
            return False
        try:
            return self._device.slots.view(self._slot).read(0, 8) == self.of(members)[:8]
        except FlashReadError:
            return False


class TrustsWhatCannotBeRead(Mark):
    def stands_for(self, members: Mapping[int, Member]) -> bool:
        if self._slot is None:
            return False
        try:
            return self._device.slots.view(self._slot).read(0, 32) in (self.of(members), b"\xff" * 32)
        except FlashReadError:
            return True


class MarksBeforeJudging(Bootloader):
    def judge_set(self, members: Mapping[int, Member]) -> str | None:
        if not self.mark.stands_for(members):
            self.mark.write(members)
        return super().judge_set(members)


class JudgesLessByMark(Bootloader):
    """The mark stands for the whole judgement."""

    def judge_set(self, members: Mapping[int, Member]) -> str | None:
        self.marked = self.mark.stands_for(members)
        return None if self.marked else self.device.judge_set(members)


class MarksInTheApplication(Installer):
    def report_healthy(self) -> None:
        record = self.journal.record
        if record is not None:
            Mark(self.device).write(record.current)
        super().report_healthy()


class RecoveryByMark(Device):
    def judge_recovery(self, record: Record | None) -> str | None:
        self._marked = True
        try:
            return super().judge_recovery(record)
        finally:
            self._marked = False


class NeverMarks(Bootloader):
    def start(self, record: Record, *, trial: bool) -> Started:
        self.marked = True
        return super().start(record, trial=trial)


class StopsWithoutMark(Bootloader):
    """A mark that did not come about keeps the set from starting."""

    def start(self, record: Record, *, trial: bool) -> Started:
        started = super().start(record, trial=trial)
        if self.device.product.rules.at_boot == "digest" and not self.mark.stands_for(record.current):
            return self.without_set("there is no mark")
        return started


class WithoutSignatures(Device):
    def judge_set(self, members: Mapping[int, Member]) -> str | None:
        self._marked = True
        return super().judge_set(members)


def unbound(**fixed: Any) -> Callable[[pytest.MonkeyPatch], None]:
    """The mark is made of something that does not change in place of what it should be made of."""
    ordinary = boot_mark

    def made(members: Any, numbers: Any, anchors: Any, revoked: Any, **more: Any) -> bytes:
        given = {"members": members, "numbers": numbers, "anchors": anchors, "revoked": tuple(revoked), **more}
        for name, value in fixed.items():
            given[name] = value(given[name]) if callable(value) else value
        return ordinary(**given)

    return lambda patch: patch.setattr(mark, "boot_mark", made)


def each_anchor(**fixed: Any) -> Callable[[pytest.MonkeyPatch], None]:
    return unbound(anchors=lambda anchors: [anchor._replace(**fixed) for anchor in anchors])


def nothing(_patch: pytest.MonkeyPatch) -> None:
    """The fault is in the programs."""


def using(kind: type[Mark]) -> Callable[[pytest.MonkeyPatch], None]:
    from imgseal.rehearse import boot

    return lambda patch: patch.setattr(boot, "Mark", kind)


FAULTS: dict[str, tuple[Programs, Callable[[pytest.MonkeyPatch], None]]] = {
    "bound to no set": (Programs(), unbound(members={})),
    "bound to no statement": (Programs(), unbound(members=lambda m: {n: Member(s, bytes(32)) for n, (s, _) in m.items()})),
    "bound to no run slot": (Programs(), unbound(members=lambda m: {n: Member(0, d) for n, (_, d) in m.items()})),
    "bound to the first member": (Programs(), unbound(members=lambda m: dict(sorted(m.items())[:1]))),
    "bound to no trust anchors": (Programs(), unbound(anchors=())),
    "bound to the first anchor": (Programs(), unbound(anchors=lambda anchors: anchors[:1])),
    "bound to anchors in any order": (Programs(), unbound(anchors=sorted)),
    "bound to key identifiers alone": (Programs(), each_anchor(point=bytes(64))),
    "bound to keys alone": (Programs(), each_anchor(key_id=bytes(16))),
    "bound to no ML-DSA-44 key": (Programs(), each_anchor(value=b"")),
    "bound to no components of keys": (Programs(), each_anchor(components=0xFFFFFFFF)),
    "bound to no development mark of keys": (Programs(), each_anchor(development=False)),
    "bound to no revoked keys": (Programs(), unbound(revoked=())),
    "bound to the number of revoked keys": (Programs(), unbound(revoked=lambda keys: [bytes(16)] * len(keys))),
    "bound to no number of signers": (Programs(), unbound(need=1)),
    "bound to no kinds": (Programs(), unbound(kinds=1)),
    "bound to no kinds that must verify": (Programs(), unbound(must_verify=1)),
    "bound to no development flag": (Programs(), unbound(development=False)),
    "bound to no hardware": (Programs(), unbound(hardware=0)),
    "bound to no bootloader": (Programs(), unbound(bootloader=bytes(16))),
    "trusted when torn": (Programs(), using(TrustsABeginning)),
    "trusted when it cannot be read": (Programs(), using(TrustsWhatCannotBeRead)),
    "written before verification": (Programs(bootloader=MarksBeforeJudging), nothing),
    "written by the application": (Programs(installer=MarksInTheApplication), nothing),
    "stands for the payload as well": (Programs(bootloader=JudgesLessByMark), nothing),
    "stands for the recovery image": (Programs(device=RecoveryByMark), nothing),
    "never written": (Programs(bootloader=NeverMarks), nothing),
    "needed to start": (Programs(bootloader=StopsWithoutMark), nothing),
    "no signatures at all": (Programs(device=WithoutSignatures), nothing),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_fault_is_found(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    programs, plant = FAULTS[name]
    updated(MARKED_TWO)  # made by a sound device
    plant(monkeypatch)
    assert any(rule(lambda _facts: programs) for rule in mark_rules.RULES), "not found"


INVARIANT = {
    "bound to no set": MARKED_TWO, "bound to no statement": "staged outside, kept, at boot by digest", "trusted when torn": MARKED_TWO, "trusted when it cannot be read": MARKED_TWO,
    "written before verification": MARKED_TWO, "written by the application": MARKED_TWO,
    "stands for the recovery image": "recovery image, at boot by digest", "no signatures at all": MARKED_TWO,
}  # fmt: skip


@pytest.mark.parametrize("name", INVARIANT)
def test_the_rehearsal_alone_finds_it(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    programs, plant = FAULTS[name]
    update = pair(INVARIANT[name])
    stages = (update.stage, update.package), mark_rules.first_installation(INVARIANT[name])
    plant(monkeypatch)
    for seed in "123456":
        for stage, package in stages:
            found = rehearse(stage, package, pairs=500, seed=seed, programs=programs).violation
            if found is not None:
                assert found.invariant == "verified"
                return
    pytest.fail("not found")


def test_signatures_are_asked_for_without_the_mode_as_well() -> None:
    """The invariant needs no mark: a device that verifies nothing is found in any product."""
    update = pair("two run slots")
    found = rehearse(
        update.stage, update.package, pairs=0, seed="1", programs=Programs(device=WithoutSignatures)
    ).violation
    assert found is not None
    assert found.invariant == "verified"
