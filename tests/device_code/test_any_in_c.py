"""Any number of power cuts against the compiled bootloader and installer: every small product closes."""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_install import InstallLibrary, programs_with_installer
from stages import PRODUCTS, pair
from test_any_number import closed
from test_planted_in_c import BOOT, planted

from imgseal.rehearse.reach import Reach

FOUND = "never gives up", "failed package forgotten", "keep slot not filled", "run slot not erased"


@pytest.mark.parametrize("name", PRODUCTS)
def test_it_closes(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    update = pair(name)
    programs = programs_with_installer(InstallLibrary(update.product, tmp_path, pieces=(512, 3)))
    for healthy in (True, False):
        reached = closed(update.stage, update.package, healthy=healthy, programs=programs)
        print(f"{name}, healthy {healthy}: {reached.states} states, {reached.steps} steps, {reached.cuts} cuts")
        assert reached.cuts > 0


@pytest.mark.parametrize("row", [row for row in BOOT if row[0] in FOUND], ids=FOUND)
def test_a_planted_fault_is_found(row: tuple[str, ...], tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    _, old, new, of = row
    update = pair(of)
    sources = planted(tmp_path, "seal_boot.c", old, new)
    programs = programs_with_installer(
        InstallLibrary(update.product, tmp_path, sources, ("-O1", "-w"), pieces=(512, 3))
    )
    found = [
        Reach(update.stage, update.package, healthy=healthy, programs=programs, kept=True).explore(sessions=2000).found
        for healthy in (True, False)
    ]
    assert any(found)
