"""guide.md's handler for reads that fault: a read of what the machine does not have comes back with an error, and the program goes on."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from c_build import SOURCES, run
from machines import COMPILER, MACHINES, run_on

MAIN = """
#include <stdio.h>
#include <string.h>

int main(void)
{
    static const char words[] = "what is there";
    uint8_t to[64];
    uint32_t round;

    for (round = 0; round < 2; round++) {   /* twice: the second fault is like the first */
        uint32_t torn = flash_read(0, HOLE, to, sizeof to);
        uint32_t whole = flash_read(0, (uint32_t)(uintptr_t)words, to, sizeof words);
        printf("%d %d\\n", torn == SEAL_READ, whole == SEAL_READ && memcmp(to, words, sizeof words) == 0);
    }
    return 0;
}
"""


@pytest.mark.parametrize("level", ["-Os", "-O2"])
@pytest.mark.parametrize("core", ["cortex-m0", "cortex-m4", "cortex-m33"])
def test_a_read_that_faults(core: str, level: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("qemu-system-arm")
    tool(COMPILER)
    machine = MACHINES[core]
    (code,) = re.findall(
        r"```c\n(#include <stdint.h>\n#include \"seal_codes.h\".*?)```", (SOURCES / "guide.md").read_text(), re.DOTALL
    )
    (tmp_path / "device.c").write_text(code + MAIN)
    startup = tmp_path / "startup.c"
    text = (Path(__file__).parent / "startup.c").read_text()
    # HardFault and BusFault lead to the guide's handler
    vectors = "&stack_top, (const void *)_start, (const void *)fault, (const void *)fault, (const void *)fault,\n    (const void *)fault,"
    assert vectors in text
    changed = "&stack_top, (const void *)_start, (const void *)fault, (const void *)flash_fault_entry, (const void *)fault,\n    (const void *)flash_fault_entry,"
    text = text.replace(vectors, changed).replace(
        "extern void _start(void);", "extern void _start(void), flash_fault_entry(void);"
    )
    startup.write_text(text)
    tail = [str(startup) if part.endswith("startup.c") else part for part in machine.tail]
    program = tmp_path / "device"
    flags = [level if flag == "-Os" else flag for flag in machine.flags]
    run(
        [
            COMPILER,
            "-std=gnu99",
            "-Wall",
            "-Wextra",
            "-Werror",
            *flags,
            "-DHOLE=0xA0000000u",
            f"-I{SOURCES}",
            tmp_path / "device.c",
            "-o",
            program,
            *tail,
        ]
    )
    assert run_on(machine, program, cwd=tmp_path).split("\n")[:2] == ["0 1", "0 1"]
