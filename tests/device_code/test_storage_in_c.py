"""The compiled boot code on storage that fails: the rehearsal's cases of tests/rehearse/failing_storage.py, every single cut."""

import itertools
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from burnt_counters import burnt
from c_boot import Library, programs_in_c
from c_install import InstallLibrary, programs_with_installer
from failing_storage import behind, flips, full_counters, one_place_worn, violated
from long_runs import every_fifth, mainly
from stages import PRODUCTS, pair
from test_planted_in_c import planted

from imgseal.rehearse.life import Stage
from imgseal.window import ByteView

FLAGS = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_every_case(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    programs = programs_with_installer(InstallLibrary(pair(name).product, tmp_path, flags=FLAGS))
    assert violated(one_place_worn(name), programs, pairs=60) is None
    assert violated(flips(name), programs) is None


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
@pytest.mark.parametrize("loud", [True, False])
def test_counters_full_or_worn(name: str, loud: bool, tool: Callable[[str], str], tmp_path: Path) -> None:
    """The storage says that it takes no more, or says nothing."""
    tool("gcc")
    library = InstallLibrary(pair(name).product, tmp_path, flags=FLAGS)
    library.loud = loud
    assert violated(itertools.chain(full_counters(name), behind(name)), programs_with_installer(library)) is None


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_a_record_in_settling_raises_nothing_that_nobody_signed(
    name: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    assert burnt(name, programs_in_c(Library(pair(name).product, tmp_path, flags=FLAGS))) is None


def test_settling_that_judges_nothing_is_found(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_boot.c", "        passes = judge_set(b, 0);\n", "")
    assert burnt(CORES, programs_in_c(Library(pair(CORES).product, tmp_path, sources, ("-O1", "-w")))) is not None


def everything(name: str) -> Iterator[tuple[Stage, ByteView]]:
    return itertools.chain(one_place_worn(name), full_counters(name), behind(name), flips(name))


KEPT, CORES, TWO = "staged outside, kept", "two cores", "two run slots"
SAYS = "    b->journal.record[R_UNRAISED] |= now < value;\n"
READ_AGAIN = "    if (read_counter(b, number, &now) != SEAL_READ)\n        return SEAL_DEVICE_UNREADABLE;\n"
READ_BACK = "seal_differ(b->scan, b->journal.record, b->record_bytes) != 0"
FAULTS = [
    ("record not read back", READ_BACK, "0", KEPT),
    ("one place tried", "        if (code != SEAL_DEVICE_NO_RECORD)\n            return code;", "        return code;", KEPT),
    ("copy not read back", READ_BACK, f"{READ_BACK} && get16(b->journal.record + R_COPIED) == 0", KEPT),
    ("torn record kept where nothing takes its copy", "(void)erase_place(b, kept);", "{}", KEPT),
    ("full counters hold the set up", SAYS, "    if (now < value)\n        return SEAL_DEVICE_UNWRITABLE;\n", CORES),
    ("counters behind, and nobody says so", SAYS, "", CORES),
    ("counters not read back", READ_AGAIN + SAYS, "", CORES),
    ("counters not tried again", "phase == PHASE_SETTLED && r[R_UNRAISED]", "0", CORES),
    ("said for ever", "    r[R_UNRAISED] = passes != SEAL_ACCEPTED;\n", "    r[R_UNRAISED] |= passes != SEAL_ACCEPTED;\n", CORES),
    ("number given to take", "(void)counters->raise(", "(void)counters->take(", CORES),
    ("set before left where it is", "code = give_up(b);      /* the set before goes on */", "return start_without_set(b, started);", TWO),
    ("set before forgotten", "    enter(r, PHASE_SETTLING);\n", "    enter(r, PHASE_SETTLING);\n    forget_other(b);\n", TWO),
    ("set before though counters are behind", "phase == PHASE_SETTLED && !r[R_UNRAISED] && judge_set", "phase == PHASE_SETTLED && judge_set", TWO),
    ("set before in any phase", "phase == PHASE_SETTLED && !r[R_UNRAISED]", "!r[R_UNRAISED]", TWO),
    ("forgotten on the way back", "    enter(r, PHASE_SETTLED);\n", "    enter(r, PHASE_SETTLED);\n    r[R_UNRAISED] = 0;\n", CORES),
]  # fmt: skip


@pytest.mark.parametrize(("name", "old", "new", "product"), every_fifth(FAULTS))
def test_a_fault_is_found(
    name: str, old: str, new: str, product: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    programs = programs_in_c(
        Library(pair(product).product, tmp_path, planted(tmp_path, "seal_boot.c", old, new), ("-O1", "-w"))
    )
    for seed in "12345678":
        if violated(everything(product), programs, pairs=2000 if product == KEPT else 0, seed=seed) is not None:
            return
    pytest.fail("not found")


INSTALLER = [
    ("counters below what runs taken", "seal_install.c", "record_of(i)[R_UNRAISED] != 0 && named(b, 0, k)", "0 && named(b, 0, k)"),
    ("damaged header raises the floor", "seal_boot.c", "SEAL_STATEMENT_BYTES) == SEAL_READ\n           && other_statement(b, m + 4) == 0;", "SEAL_STATEMENT_BYTES) == SEAL_READ;"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "file", "old", "new"), INSTALLER)
def test_a_fault_of_the_installer_is_found(
    name: str, file: str, old: str, new: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    sources = planted(tmp_path, file, old, new)
    programs = programs_with_installer(InstallLibrary(pair(TWO).product, tmp_path, sources, ("-O1", "-w")))
    assert violated(itertools.chain(behind(TWO), flips(TWO)), programs) is not None
