"""How many faults are planted in the simulated device, as the README says it."""

import re
from pathlib import Path

import test_at_boot
import test_full_counters
import test_planted_faults
import test_set_before
import test_what_changes

from imgseal.rehearse.oracle import INVARIANTS

ROOT = Path(__file__).parents[2]
PLANTED = sum(
    len(tests.FAULTS)
    for tests in (test_at_boot, test_full_counters, test_planted_faults, test_set_before, test_what_changes)
)


def test_the_readme_counts_them() -> None:
    said = " ".join((ROOT / "README.md").read_text().split())
    assert f"all {len(INVARIANTS)} invariants hold in all of them, {PLANTED} planted faults are each found" in said
    assert re.search(rf"all {len(INVARIANTS)} invariants hold: ", said)
