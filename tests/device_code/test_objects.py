"""What the objects ask of others, at any level of either compiler: names to link, and whether loads may be unaligned.

The list is guide.md's, "Names to link".
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from c_build import PLAIN, SOURCES, STRICT, run
from long_runs import mainly

OURS = sorted(path for path in SOURCES.glob("seal_*.c") if path.name not in ("seal_bearssl.c", "seal_psa.c"))
PATCHES = "-DSEAL_PATCHES"
"""What is compiled in on request asks for nothing more."""
LEVELS = ("-Os", "-O2", "-O3")
COMPILERS = {
    "gcc, M0+": ("arm-none-eabi-gcc", "-mcpu=cortex-m0plus", "-mthumb"),
    "gcc, M4": ("arm-none-eabi-gcc", "-mcpu=cortex-m4", "-mthumb"),
    "clang, M0+": ("clang", "--target=thumbv6m-none-eabi", "-mcpu=cortex-m0plus", "-ffreestanding"),
    "clang, M4": ("clang", "--target=thumbv7em-none-eabi", "-mcpu=cortex-m4", "-ffreestanding"),
}
EVERYWHERE = r"memcpy|memmove|memset|__aeabi_mem(cpy|set|clr)[48]?"
SMALL = r"__aeabi_uidiv|__aeabi_uidivmod|__gnu_thumb1_case_\w+"


def compiled(who: str, level: str, source: Path, target: Path, *more: str) -> Path:
    includes = (f"-I{SOURCES}", f"-I{PLAIN}")
    run([*COMPILERS[who], *STRICT, PATCHES, level, *more, *includes, "-c", source, "-o", target])
    return target


@pytest.mark.parametrize("level", mainly("-Os", LEVELS))
@pytest.mark.parametrize("who", COMPILERS)
def test_names_and_loads(who: str, level: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """The names are those of the guide, and what another of our objects has; unaligned loads are there where they may be.

    On a Cortex-M0+ there are none: the objects are the same where they are forbidden. On an M4 gcc makes some.
    """
    tool(COMPILERS[who][0])
    asked: set[str] = set()
    own: set[str] = set()
    merged = False
    for source in OURS:
        free = compiled(who, level, source, tmp_path / "free.o")
        bound = compiled(who, level, source, tmp_path / "bound.o", "-mno-unaligned-access")
        merged |= code_of(free) != code_of(bound)
        for line in run(["arm-none-eabi-nm", free]).splitlines():
            kind, name = line.split()[-2:]
            (asked if kind == "U" else own).add(name)
    allowed = EVERYWHERE if "M4" in who else f"{EVERYWHERE}|{SMALL}"
    assert {name for name in asked - own if not re.fullmatch(allowed, name)} == set()
    if "M0+" in who:
        assert "__aeabi_uidivmod" in asked
    assert merged == (who == "gcc, M4")


def test_the_guide_names_them() -> None:
    guide = (SOURCES / "guide.md").read_text()
    listed = guide.split("**Names to link**")[1].split("\n\n")[0]
    said = {name for name in re.findall(r"`(\w+\*?)`", listed) if not name.startswith("lib")}
    assert said == {
        "memcpy", "memmove", "memset", "__aeabi_memcpy", "__aeabi_memset", "__aeabi_memclr", "__aeabi_uidiv", "__aeabi_uidivmod",
        "__gnu_thumb1_case_*",
    }  # fmt: skip


def code_of(target: Path) -> str:
    return run(["arm-none-eabi-objdump", "-d", "--no-show-raw-insn", target]).split("\n", 3)[3]
