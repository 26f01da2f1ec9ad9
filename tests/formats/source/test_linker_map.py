"""Linker maps that GNU ld of Debian's arm-none-eabi toolchain writes: regions, what is loaded where, long names, hostile files."""

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from imgseal.errors import InputError
from imgseal.formats.source.linker_map import read_map

SCRIPT = """
MEMORY { FLASH (rx) : ORIGIN = 0x20400, LENGTH = 319K  RAM (rwx) : ORIGIN = 0x20000000, LENGTH = 128K }
SECTIONS {
  .text : { *(.text*) *(.rodata*) } > FLASH
  .a_section_with_quite_a_long_name : { *(.long*) } > FLASH
  .data : { *(.data*) } > RAM AT> FLASH
  .bss : { *(.bss*) *(COMMON) } > RAM
  /DISCARD/ : { *(.ARM*) *(.comment*) }
}
"""
SOURCE = """
int initialised[100] = { 1 };
int zero[1000];
const int table[50] __attribute__((section(".long"))) = { 2 };
int main(void) { return initialised[0] + zero[0] + table[0]; }
"""


def linked(tmp_path: Path, compiler: str) -> tuple[str, Path]:
    (tmp_path / "a.ld").write_text(SCRIPT)
    (tmp_path / "a.c").write_text(SOURCE)
    subprocess.run(
        [compiler, "-mcpu=cortex-m4", "-mthumb", "-Os", "-nostdlib", "-T", "a.ld", "-Wl,-Map=a.map,-e,main", "a.c", "-o", "a.elf"],
        cwd=tmp_path, check=True, capture_output=True,
    )  # fmt: skip
    return (tmp_path / "a.map").read_text(), tmp_path / "a.elf"


def test_regions_and_sections(tmp_path: Path, tool: Callable[[str], str]) -> None:
    """What the map says is loaded is what objcopy takes out of the ELF file."""
    text, elf = linked(tmp_path, tool("arm-none-eabi-gcc"))
    read = read_map(text.splitlines(), "a.map")
    assert [(r.name, r.origin, r.length) for r in read.regions] == [
        ("FLASH", 0x20400, 319 * 1024), ("RAM", 0x2000_0000, 128 * 1024),
    ]  # fmt: skip
    assert [s.name for s in read.sections] == [".text", ".a_section_with_quite_a_long_name", ".data"]
    subprocess.run([tool("arm-none-eabi-objcopy"), "-O", "binary", elf, tmp_path / "a.bin"], check=True)
    assert read.loaded_in(0x20400, 0x70000) == (tmp_path / "a.bin").stat().st_size
    assert read.loaded_in(0x70400, 0x90000) == 0


@pytest.mark.parametrize(
    "text",
    [
        "",
        "no map\n",
        "Memory Configuration\n\nName Origin Length\n",
        "x" * 10_000,
        "Memory Configuration\nFLASH 0xzz 0x1\n",
    ],
)
def test_no_map(text: str) -> None:
    with pytest.raises(InputError) as caught:
        read_map(text.splitlines(), "x.map")
    assert caught.value.place.file == "x.map"
    assert caught.value.hint


@pytest.mark.parametrize(("longest", "read"), [(4096, True), (4097, False)])
def test_lines_of_up_to_4096_characters(longest: int, read: bool) -> None:
    """Four times limits.LINE_BYTES; the end of the line is one of them."""
    lines = [
        "x" * (longest - 1) + "\n",
        "Memory Configuration\n",
        "\n",
        "FLASH            0x00020400         0x0004fc00         xr\n",
    ]
    if read:
        assert [region.name for region in read_map(lines, "a.map").regions] == ["FLASH"]
        return
    with pytest.raises(InputError, match="no linker map") as caught:
        read_map(lines, "a.map")
    assert caught.value.place.line == 1
