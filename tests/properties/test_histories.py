"""The simulated device and a second model agree on random histories; `python tests/properties/histories.py` prints more."""

import pytest
from histories import history, many
from long_runs import mainly
from test_planted_faults import (
    ErasesTheOldRecordFirst,
    ErasesTheRunningSlot,
    ForgetsFailures,
    KeepsNothing,
    NeverGivesUp,
    NoAttemptRecorded,
    NoRequirements,
    ReadsTheJournalAgain,
    TakesAnyMember,
)

from imgseal.formats.install_record.record import Record
from imgseal.rehearse.boot import Bootloader, Started
from imgseal.rehearse.life import Programs
from imgseal.rehearse.oracle import INVARIANTS


@pytest.mark.parametrize("part", mainly(0, range(5)))
def test_a_thousand_histories(part: int) -> None:
    reached = many(1000 * part, 1000 * part + 1000, seed=1)
    for invariant in (
        each for each in INVARIANTS if each != "verified"
    ):  # the paper model judges nothing; test_at_boot.py has it
        assert reached[invariant] >= 40, f"{invariant}: {reached[invariant]}"
    for code in ("rules.failed-before", "rules.trial-open", "rules.requirement-not-met", "rollback.counter-too-low",
                 "rollback.sequence-too-low", "rollback.sequence-reused", "trust.key-revoked", "the set stays", "counters behind"):  # fmt: skip
        assert reached[code] >= 15, f"{code}: {reached[code]}"


class CountersBeforeHealth(Bootloader):
    def start_trial(self, record: Record, *, power_on: bool) -> Started:
        for component in self.device.components(record.current):
            header = self.device.slots.run_header(component, record.current[component.number].slot)
            assert header is not None
            for step in range(1, header.statement.counter + 1):
                self.device.counters.take(component.number, step)
        return super().start_trial(record, power_on=power_on)


FAULTS = {
    "attempt not recorded": Programs(bootloader=NoAttemptRecorded),
    "counter raised before health": Programs(bootloader=CountersBeforeHealth),
    "failed package not remembered": Programs(bootloader=ForgetsFailures),
    "never gives up": Programs(bootloader=NeverGivesUp),
    "keep slot not filled": Programs(bootloader=KeepsNothing),
    "running slot erased": Programs(installer=ErasesTheRunningSlot),
    "requirements ignored": Programs(device=NoRequirements),
    "any member taken": Programs(device=TakesAnyMember),
    "journal read by two programs": Programs(installer=ReadsTheJournalAgain),
    "old record erased first": Programs(journal=ErasesTheOldRecordFirst),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_breaks_the_agreement(name: str) -> None:
    """The disagreement may also show as a failure of the device's own code."""
    for number in range(1500):
        try:
            history(f"1 {number}", FAULTS[name])
        except Exception:  # noqa: BLE001 - whatever a faulty device does
            return
    pytest.fail("not found")
