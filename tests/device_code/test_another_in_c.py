"""The compiled bootloader and installer where a device waits in the middle of an update and is given another package."""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_install import InstallLibrary, programs_with_installer
from long_runs import long
from stages import pair
from test_another_package import SWITCHED, given_another
from test_planted_in_c import planted

from imgseal.rehearse.oracle import ViolationError

NOR = "data in the NOR"
FORGOTTEN = (
    "        if (has_bit(b->journal.record + R_KEPT, i))\n            clear(entry(b, 0, i) + 4, 32);\n",
    "        ;\n",
)
"""What a half erased run slot held is handed on as known."""


@long
@pytest.mark.parametrize("name", SWITCHED)
def test_another_package(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    library = InstallLibrary(pair(name).product, tmp_path, pieces=(512, 3))
    devices, played = given_another(name, programs_with_installer(library))
    print(f"{name}: {devices} devices wait, {played} lives with another package")
    assert devices


def test_what_reads_as_before_is_not_trusted(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_boot.c", *FORGOTTEN)
    library = InstallLibrary(pair(NOR).product, tmp_path, sources, ("-O1", "-w"), pieces=(512, 3))
    with pytest.raises(ViolationError):
        given_another(NOR, programs_with_installer(library))
