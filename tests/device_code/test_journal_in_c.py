"""Which record counts, and how it is copied: the compiled boot code and the simulation on the same records slots.

The source of truth is docs/format/install-record.md, "The journal". The slots hold more than power cuts can make of them.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_boot import Library, programs_in_c
from c_build import SOURCES
from test_many_cuts import FOUR, PRODUCT, known, sequence_after
from test_planted_in_c import planted
from test_third_record import roomy, scattered
from workshop import trust_of

from imgseal.device_state.device import fresh
from imgseal.rehearse.counters import Counters
from imgseal.rehearse.device import Device, Facts, Judgements
from imgseal.rehearse.flash import Flash, Operation
from imgseal.rehearse.journal import Journal, NoPlaceError
from imgseal.rehearse.noise import Noise
from imgseal.versions import Version


def watched(flash: Flash) -> list[Operation]:
    operations: list[Operation] = []

    def watch(operation: Operation) -> bool:
        operations.append(operation)
        return False

    flash.watch = watch
    return operations


def reset_by(opens: Callable[[], object]) -> bool:
    """Open a journal; say whether the device resets because no place takes a copy."""
    try:
        opens()
    except NoPlaceError:
        return True
    return False


def disagreements(sources: Path, folder: Path) -> int:
    """Count the slots of which C and simulation act upon another record, or copy it with other operations."""
    of = roomy()
    programs = programs_in_c(Library(of, folder, sources, ("-O1", "-w")))
    facts = Facts(of, trust_of(of), False, fresh(of)._replace(hardware=1, bootloader=Version(1, 0, 0)))
    wrong = 0
    for mine, theirs in zip(scattered(), scattered(), strict=True):
        expected, found = watched(mine), watched(theirs)
        ours, in_c = Journal(mine, of), Journal(theirs, of)
        device = Device(facts, theirs, Counters({}, frozenset(), Noise("")), None, Judgements())
        ends = [reset_by(ours.open), reset_by(lambda: programs.bootloader(device, in_c).boot(power_on=True))]  # noqa: B023
        if ends == [False, False]:
            wrong += (ours.record, ours._place) != (in_c.record, in_c._place)
        wrong += ends[0] != ends[1] or expected != found
    return wrong


def test_c_and_simulation_choose_the_same_record(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert disagreements(SOURCES, tmp_path) == 0


def opened_in_c(sources: Path, folder: Path) -> Callable[[Flash], Journal]:
    """Open the journal with the compiled boot code."""
    programs = programs_in_c(Library(PRODUCT, folder, sources, ("-O1", "-w")))
    facts = Facts(PRODUCT, trust_of(PRODUCT), False, fresh(PRODUCT)._replace(hardware=1, bootloader=Version(1, 0, 0)))

    def opened(flash: Flash) -> Journal:
        journal = Journal(flash, PRODUCT)
        device = Device(facts, flash, Counters({}, frozenset(), Noise("")), None, Judgements())
        programs.bootloader(device, journal).boot(power_on=True)
        return journal

    return opened


def test_four_cuts_lose_no_record_in_c(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    opened = opened_in_c(SOURCES, tmp_path)
    assert sequence_after(Journal, FOUR, 1, opened) == 2
    assert sequence_after(Journal, known(3)[:-1], 1, opened) == 1
    assert sequence_after(Journal, known(3), 1, opened) is None  # C does what the search has tried


def test_four_cuts_find_a_copy_over_what_may_be_sound(tool: Callable[[str], str], tmp_path: Path) -> None:
    """All places but two erased before the copy is written, as it once was."""
    tool("gcc")
    old, new = (
        "    code = store(b, all);\n    if (code == SEAL_WRITTEN ||",
        (
            "    for (place = 0; place < count; place++)\n"
            "        if (place != kept && all[place].generation != get32(r + R_BASE)) {\n"
            "            all[place].copies = 0;\n            code = erase_place(b, place);\n"
            "            if (code != SEAL_WRITTEN)\n                return code;\n        }\n"
            "    code = store(b, all);\n    if (code == SEAL_WRITTEN ||"
        ),
    )
    sources = planted(tmp_path, "seal_boot.c", old, new)
    assert sequence_after(Journal, FOUR, 1, opened_in_c(sources, tmp_path)) is None


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("a->copied > b->copied", "a->copied < b->copied"),
        ("all[place].copies < all[target].copies", "all[place].copies > all[target].copies"),
        ("counts_more(&all[target], &all[place])", "counts_more(&all[place], &all[target])"),
        ("all[kept].copies != COPIES && place < count", "0"),
        ("whole_ones = 1;", "whole_ones = 0;"),
        ("target = count, i;", "target = 0, i;"),
        (
            "            here->copies++;\n        } else {",
            (
                "            here->copies++;\n            if (counts_more(here, best)) {\n                best = here;\n"
                "                b->journal.place = place;\n            }\n            continue;\n        } else {"
            ),
        ),
    ],
    ids=[
        "copied less often first",
        "over the most copies",
        "over what counts most",
        "over a whole one",
        "torn one stays",
        "over its own place",
        "bytes of another place",
    ],
)
def test_a_fault_breaks_the_agreement(old: str, new: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """The last one was there until this test was written."""
    tool("gcc")
    assert disagreements(planted(tmp_path, "seal_boot.c", old, new), tmp_path) > 0
