"""Bare-metal programs for the machines that QEMU has: Cortex-M4 (mps2-an386), M0 (microbit), M33 (mps2-an521)."""

import subprocess
from pathlib import Path
from typing import NamedTuple

from c_build import HERE

COMPILER = "arm-none-eabi-gcc"


class Machine(NamedTuple):
    """A QEMU machine and what to compile for it; flash and RAM by first address and size. `second`: ML-DSA-44 fits as well."""

    name: str
    core: str
    flash: tuple[int, int]
    ram: tuple[int, int]
    defines: tuple[str, ...] = ()
    second: bool = True

    @property
    def flags(self) -> tuple[str, ...]:
        return (f"-mcpu={self.core}", "-mthumb", "-Os", "-ffunction-sections", "-fdata-sections", *self.defines)

    @property
    def tail(self) -> tuple[str, ...]:
        places = {
            "FLASH_BASE": self.flash[0],
            "FLASH_SIZE": self.flash[1],
            "RAM_BASE": self.ram[0],
            "RAM_SIZE": self.ram[1],
        }
        symbols = ",".join(f"--defsym={name}={value}" for name, value in places.items())
        return (
            "--specs=rdimon.specs",
            "-Wl,--gc-sections",
            f"-Wl,{symbols}",
            "-T",
            str(HERE / "bare.ld"),
            str(HERE / "startup.c"),
        )


MACHINES = {
    "cortex-m4": Machine("mps2-an386", "cortex-m4", (0, 0x40_0000), (0x2000_0000, 0x40_0000)),
    "cortex-m0": Machine("microbit", "cortex-m0", (0, 0x4_0000), (0x2000_0000, 0x4000), ("-DSTREAMED",), second=False),
    "cortex-m33": Machine("mps2-an521", "cortex-m33+nodsp+nofp", (0x1000_0000, 0x40_0000), (0x3800_0000, 0x20_0000)),
}


def run_on(machine: Machine, program: Path, *arguments: str, cwd: Path) -> str:
    """Run a program with semihosting; return what it prints. AssertionError when it ends badly."""
    shown = ",".join(["enable=on", "target=native", "arg=program", *(f"arg={a}" for a in arguments)])
    said = subprocess.run(
        ["qemu-system-arm", "-M", machine.name, "-nographic", "-monitor", "none", "-serial", "none", "-semihosting-config", shown,
         "-kernel", str(program)],
        cwd=cwd, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert said.returncode == 0, said.stdout[-2000:] + said.stderr[-2000:]
    return said.stdout
