"""What an ELF file says that it was compiled for. Sources of truth: GCC for Arm, and GNU readelf, which reads the same section."""

import io
import re
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from gate_tree import as_elf
from workshop import Imgseal, product

from imgseal.formats.memory.image import BuiltFor
from imgseal.formats.source import read
from imgseal.formats.source.arm_attributes import built_for
from imgseal.product.cores import cannot_run
from imgseal.product.schema import CORES

SOURCE = "volatile int x; volatile float f;\nvoid _start(void) { x = x * 3; f = f * 2.0f; for (;;) ; }\n"
HARD = ("cortex-m4", "cortex-m7", "cortex-m33", "cortex-a7")
BUILDS = [(core, "soft") for core in (*CORES, "cortex-m55", "cortex-a7", "arm926ej-s")] + [
    (core, "hard") for core in HARD
]
# which builds run on which core: each on its own and on those that have all of it
RUNS = {
    "cortex-m0": {"cortex-m0", "cortex-m0plus"},
    "cortex-m0plus": {"cortex-m0", "cortex-m0plus"},
    "cortex-m3": {"cortex-m0", "cortex-m0plus", "cortex-m3"},
    "cortex-m4": {"cortex-m0", "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m7", "cortex-m4 hard"},
    "cortex-m7": {"cortex-m0", "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m7", "cortex-m4 hard", "cortex-m7 hard"},
    "cortex-m23": {"cortex-m0", "cortex-m0plus", "cortex-m23"},
    "cortex-m33": {
        "cortex-m0", "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m7", "cortex-m23", "cortex-m33", "cortex-m4 hard", "cortex-m7 hard",
        "cortex-m33 hard",
    },
}  # fmt: skip


@pytest.fixture(scope="module")
def builds(tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One program for each processor, linked at 0x400."""
    folder = tmp_path_factory.mktemp("builds")
    (folder / "a.c").write_text(SOURCE)
    made = {}
    for core, fp in BUILDS:
        name = core if fp == "soft" else f"{core} hard"
        thumb = () if core == "arm926ej-s" else ("-mthumb",)
        command = [
            tool("arm-none-eabi-gcc"),
            f"-mcpu={core}",
            *thumb,
            f"-mfloat-abi={fp}",
            "-nostdlib",
            "-Wl,-Ttext=0x400",
        ]
        subprocess.run([*command, "a.c", "-lgcc", "-o", name], cwd=folder, check=True, capture_output=True)
        made[name] = folder / name
    return made


def built(path: Path) -> BuiltFor | None:
    with path.open("rb") as stream:
        return read(stream, name=path.name).built_for


def test_each_core_takes_what_it_runs(builds: dict[str, Path]) -> None:
    for core in CORES:
        taken = set()
        for name, path in builds.items():
            said = built(path)
            assert said is not None
            if cannot_run(core, said.arch, said.profile, said.fp) is None:
                taken.add(name)
        assert taken == RUNS[core], core


def test_as_readelf_has_it(builds: dict[str, Path], tool: Callable[[str], str]) -> None:
    for path in builds.values():
        said = built(path)
        assert said is not None
        text = subprocess.run(
            [tool("arm-none-eabi-readelf"), "-A", path], check=True, capture_output=True, text=True
        ).stdout
        fields = dict(re.findall(r"Tag_(CPU_name|CPU_arch|CPU_arch_profile|FP_arch): (.*)", text))
        assert said.name == fields["CPU_name"].strip('"')
        assert (said.profile or " ") == fields.get("CPU_arch_profile", " ")[0]
        assert bool(said.fp) == ("FP_arch" in fields)
        words = cannot_run("cortex-m0", said.arch, said.profile, 0)
        assert words is None or words.startswith(fields["CPU_arch"])


def attributes(*, arch: int = 13, name: bytes = b"7E-M", more: bytes = b"", vendor: bytes = b"aeabi") -> bytes:
    inner = b"\x05" + name + b"\0" + bytes((6, arch)) + b"\x07M" + more
    file = b"\x01" + struct.pack("<I", 5 + len(inner)) + inner
    body = vendor + b"\0" + file
    return b"A" + struct.pack("<I", 4 + len(body)) + body


def test_tags_of_both_kinds_and_other_vendors() -> None:
    wanted = BuiltFor(13, "M", 0, "7E-M")
    assert built_for(attributes()) == wanted
    # texts, a number of two bytes, a number and a text, and the floating-point unit behind them
    more = b"\x04raw\0" + b"\x43\x32.09\0" + b"\x12\x80\x01" + b"\x20\x01gnu\0" + b"\x41\x06\x0b\0" + b"\x0a\x06"
    assert built_for(attributes(more=more)) == wanted._replace(fp=6)
    assert built_for(attributes(vendor=b"other")) is None
    assert built_for(attributes(vendor=b"other") + attributes()[1:]) == wanted


def test_damaged_attributes_say_nothing() -> None:
    whole = attributes(more=b"\x12\x80\x01")
    for size in range(len(whole)):
        built_for(whole[:size])
    assert built_for(b"") is None
    assert built_for(b"B" + whole[1:]) is None
    assert built_for(b"A" + bytes(40)) is None
    assert built_for(b"A" + struct.pack("<I", 4) + b"no end of a name") is None


def test_a_build_refuses_another_core(imgseal: Imgseal, project: Path, builds: dict[str, Path]) -> None:
    core = product().components["radio"].core
    assert core == "cortex-m0plus"
    for name in ("cortex-m4", "cortex-m7 hard", "cortex-m33"):
        (project / "radio.elf").write_bytes(builds[name].read_bytes())
        said = imgseal("build", "radio=radio.elf")
        assert said.status == 2, said.err
        assert "radio.elf: this firmware was compiled for another core" in said.err
        assert "expected: code that cortex-m0plus runs (component.radio.core)" in said.err
        assert "as its .ARM.attributes say" in said.err
        assert "-mcpu=cortex-m0plus" in said.err
        assert not (project / "out").exists()
        assert imgseal("seal", "--component", "radio", "radio.elf", "--out", "x").status == 2
    (project / "radio.elf").write_bytes(builds["cortex-m0"].read_bytes())
    assert "another core" not in imgseal("build", "radio=radio.elf").err  # refused for its address


def test_a_file_that_says_nothing_is_taken() -> None:
    """Without sections, and what an assembler writes that was told no processor."""
    image = read(io.BytesIO(as_elf(0x400, bytes(64))), name="a.elf")
    assert image.built_for is None
    assert image.crop(0x400, 0x410).built_for is None
    for core in CORES:
        assert [arch for arch in range(24) if cannot_run(core, arch, "", 0) is None][:2] == [0, 2]
