"""The device code on a big-endian machine: a 32-bit PowerPC, linked statically, under QEMU's user mode."""

from collections.abc import Callable
from pathlib import Path

import pytest
from boot_batch import FAILING, RESETS, booted, delivered, simulated
from c_build import build_crypto
from long_runs import long
from stages import PRODUCTS, pair
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


@long
@pytest.mark.parametrize("resets", [RESETS, FAILING], ids=["healthy", "failing"])
@pytest.mark.parametrize("name", PRODUCTS)
def test_boots(name: str, resets: tuple[tuple[bool, bool], ...], tool: Callable[[str], str], tmp_path: Path) -> None:
    """A delivered update is switched to, tried, and settled or given up: answers, counters and every byte of flash are the simulation's."""
    needed(tool)
    update = pair(name)
    device, batch = delivered(update)
    crypto = build_crypto(tmp_path / "crypto", COMPILER, ("-O2",))
    found = booted(batch, resets, update.product, tmp_path, COMPILER, ("-O1", "-static"), crypto, MACHINE)
    assert found == simulated(device, resets)
