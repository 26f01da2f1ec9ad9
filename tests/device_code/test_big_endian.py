"""The device code on a big-endian machine: a 32-bit PowerPC, linked statically, under QEMU's user mode."""

from collections.abc import Callable
from pathlib import Path

import pytest
from long_runs import long
from whole_kit import RUNNERS, run_whole_kit

COMPILER = "powerpc-linux-gnu-gcc"
MACHINE = "qemu-ppc"


def needed(tool: Callable[[str], str]) -> None:
    for name in (COMPILER, MACHINE, "/usr/powerpc-linux-gnu/lib/libc.a"):
        tool(name)


@long
@pytest.mark.parametrize("runner", RUNNERS)
def test_the_kit(runner: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Verdicts and first codes are the tool's."""
    needed(tool)
    assert run_whole_kit(runner, tmp_path, COMPILER, ("-O1", "-static"), ("-O2",), MACHINE) > 50
