"""The compiled boot code on storage that fails: the rehearsal's cases of tests/rehearse/failing_storage.py, every single cut."""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_boot import Library, programs_in_c
from failing_storage import one_place_worn, violated
from long_runs import every_fifth, mainly
from stages import PRODUCTS, pair
from test_planted_in_c import planted

FLAGS = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_every_case(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    programs = programs_in_c(Library(pair(name).product, tmp_path, flags=FLAGS))
    assert violated(one_place_worn(name), programs, pairs=60) is None


KEPT = "staged outside, kept"
READ_BACK = "seal_differ(b->scan, b->journal.record, b->record_bytes) != 0"
FAULTS = [
    ("record not read back", READ_BACK, "0", KEPT),
    ("one place tried", "        if (code == SEAL_DEVICE_NO_RECORD)\n            code = erase_place(b, place);", "", KEPT),
    ("copy not read back", READ_BACK, f"{READ_BACK} && get16(b->journal.record + R_COPIED) == 0", KEPT),
    ("torn record kept where nothing takes its copy", "(void)erase_place(b, kept);", "{}", KEPT),
    ("whole record given up where nothing takes its copy", "&& all[kept].copies == COPIES", "&& 0", KEPT),
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
        if violated(one_place_worn(product), programs, pairs=2000, seed=seed) is not None:
            return
    pytest.fail("not found")
