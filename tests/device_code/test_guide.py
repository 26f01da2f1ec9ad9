"""The C in the guide compiles as it stands, with what its text tells the reader to bring and nothing else."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from c_build import SOURCES, run
from machines import COMPILER
from workshop import Imgseal

BLOCKS = re.findall(r"^```c\n(.*?)^```$", (SOURCES / "guide.md").read_text(), re.MULTILINE | re.DOTALL)
COMMON = '#include "seal_config.h"\n#include "seal_install.h"\n#include "seal_show.h"\n#include "seal_trust.h"\n'
BROUGHT = {
    "judge_app(": "",
    "start_app(": COMMON + "uint32_t judge_app(uint32_t, const struct seal_state *, struct seal_work *, struct seal_header *);\n"
    "void reset_device(void);\nvoid jump(uint32_t);\n",
    "seal_ml_dsa_44(": "int your_library_verify(const uint8_t *, size_t, const uint8_t *, size_t, const uint8_t *, size_t, const uint8_t *);\n",
    "start(": COMMON + "static struct seal_boot boot;\nstatic struct seal_started started;\n"
    "static volatile uint32_t chosen;\nvoid reset_now(void);\n"
    "static struct { struct seal_journal journal; struct seal_started started; } *HANDOVER;\n",
    "flash_fault(": "",
    "lock_mark(": COMMON + "void flash_lock(uint32_t, uint32_t);\nint flash_is_locked(uint32_t, uint32_t);\n",
    "install_update(": COMMON + "static uint8_t *piece;\nstatic uint32_t length;\nint receive(uint8_t **, uint32_t *);\n"
    "uint32_t measured_charge(void);\nuint8_t machine_is_safe(void);\n",
    "install_patch(": COMMON + "static struct seal_install install;\n",
    "offer_delivery(": COMMON + '#include "seal_delivery.h"\n',
    "begin(": COMMON,
}  # fmt: skip


def test_every_block_is_looked_at() -> None:
    assert len(BLOCKS) == len(BROUGHT)
    assert all(name in block for name, block in zip(BROUGHT, BLOCKS, strict=True))


@pytest.mark.parametrize("name", BROUGHT)
def test_a_block_compiles_as_it_stands(
    name: str, imgseal: Imgseal, project: Path, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool(COMPILER)
    assert imgseal("device-code", "seal").status == 0
    block = BLOCKS[list(BROUGHT).index(name)]
    if "#include" not in BROUGHT[name]:  # it has its own
        last = block.rindex("#include")
        end = block.index("\n", last) + 1
        block = block[:end] + BROUGHT[name] + block[end:]
    else:
        block = BROUGHT[name] + block
    (tmp_path / "block.c").write_text(block)
    wanted = {"ml_dsa": "-DSEAL_ML_DSA_44", "patch": "-DSEAL_PATCHES", "delivery": "-DSEAL_PATCHES"}
    extra = [flag for word, flag in wanted.items() if word in name]
    run(
        [COMPILER, "-mcpu=cortex-m4", "-mthumb", "-std=gnu99", "-Wall", "-Wextra", "-Werror", "-Wno-unused-function", "-ffreestanding", *extra,
         f"-I{project / 'seal'}", "-c", tmp_path / "block.c", "-o", tmp_path / "block.o"]
    )  # fmt: skip
