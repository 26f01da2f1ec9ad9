"""Skipped instructions: none lets start what should not, and the computation that sees to it is in the objects of both compilers."""

import functools
import re
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from c_build import PLAIN, SOURCES, run
from long_runs import long
from skip_build import COMPILERS, CORES, LEVELS, Build, build
from skip_machine import Skipper, resume_each, skip_each, skip_two
from skip_one import PARTS
from test_planted_in_c import planted

NOT_RUN = "5b8d5c6d"
COMPILER = COMPILERS["gcc"][0]
EVERY = {"image": 1, "boot": 97, "package": 97, "install": 997, "delivery": 97, "mark": 97, "adapter": 1}
"""One instance in so many; the script tries each."""
HUNG = {"delivery": 50}
"""At most one in so many is ended by the watchdog, 100 elsewhere: a skip in a decoder's loop makes it go round for long."""


@functools.cache
def built(
    core: str, level: str, adapter: str = "seal_bearssl", compiler: str = "gcc", *, marked: bool = False, patches: bool = False,
    extra: tuple[str, ...] = (), sources: Path = SOURCES,
) -> Build:  # fmt: skip
    """Each program once: a test tries one part of it."""
    with tempfile.TemporaryDirectory() as folder:
        return build(
            Path(folder), core, level, adapter, sources, COMPILERS[compiler], marked=marked, patches=patches, extra=extra
        )  # fmt: skip


@pytest.mark.seconds(900)
@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize(
    ("core", "compiler", "level"),
    [
        pytest.param(*row, marks=() if row == ("cortex-m4", "gcc", "-Os") else long, id=" ".join(row))
        for row in ((core, compiler, level) for core in CORES for compiler in COMPILERS for level in LEVELS)
    ],
)
def test_one_skip(core: str, compiler: str, level: str, part: str, tool: Callable[[str], str]) -> None:
    tool(COMPILER)
    tool(COMPILERS[compiler][0])
    adapter = "seal_psa" if part == "adapter" else "seal_bearssl"
    made = built(core, level, adapter, compiler, marked=part == "mark", patches=part == "delivery")
    skipper, tried = Skipper(made, part), 0
    for case in PARTS[part]():
        if case.name.startswith("good"):
            assert skipper.trace(case) > 100  # starts
            continue
        result = skip_each(skipper, case, EVERY[part])
        tried += result.tried
        assert result.hung < max(3, result.tried // HUNG.get(part, 100))
        assert [(made.lines.get(b.first), hex(b.to)) for b in result.bypasses] == [], (part, case.name)
    assert tried > 500


def test_two_skips(tool: Callable[[str], str]) -> None:
    """Pairs are drawn and tried, the same ones for the same seed; nobody says that they are not enough."""
    tool(COMPILER)
    skipper = Skipper(built("cortex-m4", "-Os"))
    (case,) = (case for case in PARTS["image"]() if case.name == "wrong signature")
    result = skip_two(skipper, case, 400, seed=1)
    assert result.tried == 400
    assert result.alone < 300
    assert result == skip_two(skipper, case, 400, seed=1)
    assert skip_two(skipper, case, 400, seed=1, within=4).alone < result.alone


def test_what_is_enough_is_found(tool: Callable[[str], str]) -> None:
    """A decision without its second look can be skipped."""
    tool(COMPILER)
    skipper = Skipper(built("cortex-m4", "-Os", extra=("-DONE_LOOK",)))
    (case,) = (case for case in PARTS["image"]() if case.name == "wrong signature")
    assert "start_app" in {skipper.of.lines[b.first].split(":")[0] for b in skip_each(skipper, case).bypasses}


def test_a_delivery_that_is_looked_at_once(tool: Callable[[str], str], tmp_path: Path) -> None:
    """Judged while it is installed and not before, one skip lets a delivery in that nobody has signed."""
    tool(COMPILER)
    sources = planted(
        tmp_path,
        "seal_install.c",
        "    code = pass(i, 1, 0);\n    if (code == SEAL_ACCEPTED)\n        code = pass(i, 0, i->unchanged);",
        "    code = pass(i, 0, 0);",
    )
    made = build(tmp_path, "cortex-m4", "-Os", sources=sources, compiler=COMPILERS["gcc"], patches=True)
    skipper = Skipper(made, "delivery")
    (case,) = (case for case in PARTS["delivery"]() if case.name == "by a stranger")
    assert len(skip_each(skipper, case).bypasses) > 0


@pytest.mark.parametrize("part", ["image", "boot", "package", "install"])
def test_a_run_that_is_taken_up_again(part: str, tool: Callable[[str], str]) -> None:
    """Nothing is skipped, and each run ends where the whole one does: registers and memories are all there."""
    tool(COMPILER)
    skipper = Skipper(built("cortex-m4", "-O2"))
    (case,) = (case for case in PARTS[part]() if case.name == "good")
    result = resume_each(skipper, case, max(3, EVERY[part]))
    assert result.tried > 100
    assert {b.to for b in result.bypasses} == set(case.allowed)
    assert len(result.bypasses) == result.tried


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
    for name, start in (("seal_image", 24), ("seal_package", 3)):
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
    sum_of, begins = "        j.said += code;\n", "j.said = SAID_BEFORE(OF_HEADER + OF_PAYLOAD + AGAIN);"
    assert text.count(sum_of) == text.count(begins) == 1
    text = text.replace(sum_of, "").replace(begins, "j.said = SEAL_ACCEPTED;").replace("volatile ", "")
    (tmp_path / "seal_image.c").write_text(text)
    target = tmp_path / "out.o"
    said = subprocess.run(
        [COMPILER, "-mcpu=cortex-m4", "-mthumb", "-std=c99", "-O2", f"-I{SOURCES}", f"-I{PLAIN}", "-c", tmp_path / "seal_image.c", "-o", target],
        check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert said.returncode == 0, said.stderr
    listing = run(["arm-none-eabi-objdump", "-d", target])
    assert not is_there(listing, f"{-24 * 0x7630C2A0 & 0xFFFF_FFFF:08x}")
