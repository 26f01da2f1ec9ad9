"""Skipped instructions: none lets start what should not, and the computation that sees to it is in the objects of both compilers."""

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from c_build import PLAIN, SOURCES, run
from long_runs import long
from skip_cases import devices, images, packages
from skip_one import COMPILER, CORES, LEVELS, Skipper, build, skip_each

NOT_RUN = "5b8d5c6d"
KINDS = {"image": images, "boot": devices, "package": packages}
EVERY = {"image": 41, "boot": 499, "package": 997}
"""One instance in so many; the script tries each."""


@pytest.mark.seconds(900)
@pytest.mark.parametrize(
    ("core", "level", "adapter"),
    [
        pytest.param(
            core, level, adapter, marks=() if (core, level, adapter) == ("cortex-m4", "-Os", "seal_bearssl") else long
        )
        for core in CORES
        for level in LEVELS
        for adapter in ("seal_bearssl", "seal_psa")
    ],
)
def test_one_skip(core: str, level: str, adapter: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool(COMPILER)
    skipper = Skipper(build(tmp_path, core, level, adapter))
    for kind, cases in KINDS.items():
        for case in cases():
            if case.name == "good":
                skipper.trace(case)  # starts
                continue
            result = skip_each(skipper, case, EVERY[kind])
            assert result.tried > 3
            assert [(skipper.of.lines[pc], hex(to)) for pc, to in result.bypasses] == [], (kind, case.name)


@pytest.mark.parametrize("level", ["-Os", "-O2", "-O3"])
@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize("compiler", [(COMPILER,), ("clang", "--target=arm-none-eabi")], ids=["gcc", "clang"])
def test_it_is_in_the_object(
    compiler: tuple[str, ...], core: str, level: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    """What a judgement that was cut short says is in the object, and so is the sum that it depends on."""
    tool(compiler[0])
    tool("arm-none-eabi-objdump")
    target = tmp_path / "out.o"
    flags = (f"-mcpu={core}", "-mthumb", "-std=c99", "-ffreestanding", level, f"-I{SOURCES}", f"-I{PLAIN}")
    for name, start in (("seal_image", 16), ("seal_package", 3)):
        run([*compiler, *flags, "-c", SOURCES / f"{name}.c", "-o", target])
        said = run(["arm-none-eabi-objdump", "-d", target])
        begins = (
            f"{-start * 0x7630C2A0 & 0xFFFF_FFFF:08x}"  # so that the sum is SEAL_ACCEPTED when each check has said so
        )
        assert is_there(said, begins), (name, begins)
        if name == "seal_image":
            assert is_there(said, NOT_RUN)


def is_there(listing: str, value: str) -> bool:
    """Whether a constant is in a pool, or made of two halves."""
    words = re.findall(r"\b0x([0-9a-f]{8})\b|\s([0-9a-f]{8})\s+\.word|\.word\s+0x([0-9a-f]{8})", listing)
    if value in {word for row in words for word in row}:
        return True
    high, low = int(value[:4], 16), int(value[4:], 16)
    movt = {int(n) for n in re.findall(r"movt\s+\w+, #(\d+)", listing)}
    movw = {int(n) for n in re.findall(r"movw\s+\w+, #(\d+)", listing)}
    return high in movt and low in movw


def test_the_search_finds_nothing_where_nothing_is(tool: Callable[[str], str], tmp_path: Path) -> None:
    """The sources as a compiler sees them when sums are plain variables: the computation is gone."""
    tool(COMPILER)
    text = (SOURCES / "seal_image.c").read_text()
    assert text.count("j->said += code;") == 1
    text = text.replace("        j->said += code;\n", "").replace("volatile ", "")
    (tmp_path / "seal_image.c").write_text(
        text.replace("j.said = header_only", "j.said = SEAL_ACCEPTED; (void)(header_only").replace(
            "OF_PAYLOAD + AGAIN);", "OF_PAYLOAD + AGAIN));"
        )
    )
    target = tmp_path / "out.o"
    said = subprocess.run(
        [COMPILER, "-mcpu=cortex-m4", "-mthumb", "-std=c99", "-O2", f"-I{SOURCES}", f"-I{PLAIN}", "-c", tmp_path / "seal_image.c", "-o", target],
        check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert said.returncode == 0, said.stderr
    listing = run(["arm-none-eabi-objdump", "-d", target])
    assert not is_there(listing, f"{-16 * 0x7630C2A0 & 0xFFFF_FFFF:08x}")
