"""Which record counts, and how it is copied: the compiled boot code and the simulation on the same records slots.

The source of truth is docs/format/install-record.md, "The journal". The slots hold more than power cuts can make of them.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_boot import Library, programs_in_c
from c_build import SOURCES
from test_planted_in_c import planted
from test_third_record import roomy, scattered
from workshop import trust_of

from imgseal.device_state.device import fresh
from imgseal.rehearse.counters import Counters
from imgseal.rehearse.device import Device, Facts, Judgements
from imgseal.rehearse.flash import Flash, Operation
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.noise import Noise
from imgseal.versions import Version


def watched(flash: Flash) -> list[Operation]:
    operations: list[Operation] = []

    def watch(operation: Operation) -> bool:
        operations.append(operation)
        return False

    flash.watch = watch
    return operations


def disagreements(sources: Path, folder: Path) -> int:
    """Count the slots of which C and simulation act upon another record, or copy it with other operations."""
    of = roomy()
    programs = programs_in_c(Library(of, folder, sources, ("-O1", "-w")))
    facts = Facts(of, trust_of(of), False, fresh(of)._replace(hardware=1, bootloader=Version(1, 0, 0)))
    wrong = 0
    for mine, theirs in zip(scattered(), scattered(), strict=True):
        expected, found = watched(mine), watched(theirs)
        ours, in_c = Journal(mine, of), Journal(theirs, of)
        ours.open()
        device = Device(facts, theirs, Counters({}, frozenset(), Noise("")), None, Judgements())
        programs.bootloader(device, in_c).boot(power_on=True)
        wrong += (ours.record, ours._place, expected) != (in_c.record, in_c._place, found)
    return wrong


def test_c_and_simulation_choose_the_same_record(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert disagreements(SOURCES, tmp_path) == 0


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("a->copied > b->copied", "a->copied < b->copied"),
        ("all[place].generation == get32(r + R_BASE)", "all[place].generation < get32(r + R_BASE)"),
        (
            "            here->copies++;\n        } else {",
            (
                "            here->copies++;\n            if (counts_more(here, best)) {\n                best = here;\n"
                "                b->journal.place = place;\n            }\n            continue;\n        } else {"
            ),
        ),
    ],
    ids=["copied less often first", "another base", "bytes of another place"],
)
def test_a_fault_breaks_the_agreement(old: str, new: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """The last one was there until this test was written."""
    tool("gcc")
    assert disagreements(planted(tmp_path, "seal_boot.c", old, new), tmp_path) > 0
