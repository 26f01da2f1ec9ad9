"""ELF: the same image as objcopy's HEX, S-records and binary of one linked file; other and damaged files refused.

Sources: GNU objcopy; System V ABI, chapters 4 and 5.
"""

import io
import random
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from gate_tree import as_elf

from imgseal.errors import InputError
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.source import read

CODE = """
int counter = 0x1234; const char words[] = "vent open"; char space[4000];
int main(void) { return counter + words[0] + space[1]; }
void reset(void) { main(); }
"""
SCRIPT = """
MEMORY { FLASH (rx) : ORIGIN = %s, LENGTH = 64K
         RAM (rw) : ORIGIN = 0x20000000, LENGTH = 8K
         CONFIG (r) : ORIGIN = 0x10001000, LENGTH = 4K }
ENTRY(reset)
SECTIONS {
  .text : { *(.text*) *(.rodata*) } >FLASH
  .config : { LONG(0xFFFFFFFF) LONG(0x12345678) } >CONFIG
  .data : { *(.data*) } >RAM AT>FLASH
  .bss : { *(.bss*) } >RAM
}
"""


def link(folder: Path, compiler: str, origin: str = "0x20400", *options: str) -> bytes:
    (folder / "a.c").write_text(CODE)
    (folder / "a.ld").write_text(SCRIPT % origin)
    command = [compiler, "-mcpu=cortex-m4", "-mthumb", "-nostdlib", *options, "-T", "a.ld", "a.c", "-o", "a.elf"]
    subprocess.run(command, cwd=folder, check=True)
    return (folder / "a.elf").read_bytes()


@pytest.fixture(scope="module")
def elf(tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return link(tmp_path_factory.mktemp("elf"), tool("arm-none-eabi-gcc"))


def parse(data: bytes) -> MemoryImage:
    return read(io.BytesIO(data), name="app.elf", kind="elf")


# 0x20400: the linker puts the file's own headers in front of the code, into the first segment; 0x8000000: it cannot
@pytest.mark.parametrize("origin", ["0x20400", "0x08000000", "0x0"])
def test_all_forms_of_one_firmware_are_one_image(origin: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    image = parse(link(tmp_path, tool("arm-none-eabi-gcc"), origin))
    objcopy = tool("arm-none-eabi-objcopy")
    for form in ("ihex", "srec", "binary"):
        subprocess.run([objcopy, "-O", form, "-R", ".config", "a.elf", f"a.{form}"], cwd=tmp_path, check=True)
        if form != "binary":
            subprocess.run([objcopy, "-O", form, "a.elf", f"all.{form}"], cwd=tmp_path, check=True)
            with open(tmp_path / f"all.{form}", "rb") as stream:
                assert read(stream, name=form) == image
    base = int(origin, 0)
    assert image.lowest == base
    with open(tmp_path / "a.binary", "rb") as stream:
        flat = read(stream, name="a.bin", base=base)
    rest = image.without(0x1000_1000, 0x1000_2000)
    assert (rest.regions, rest.read(*rest.regions[0])) == (flat.regions, flat.read(*flat.regions[0]))
    assert image.read(0x1000_1000, 8) == bytes.fromhex("FFFFFFFF78563412")
    assert image.read(image.regions[0].end - 4, 4) == (0x1234).to_bytes(4, "little")  # .data at its load address
    assert image.start_address is not None
    assert image.start_address & 1  # as in the file: Thumb


def test_without_section_headers_segments_count(tool: Callable[[str], str], tmp_path: Path) -> None:
    data = link(tmp_path, tool("arm-none-eabi-gcc"), "0x08000000")
    whole = parse(data)
    stripped = data[:32] + bytes(4) + data[36:46] + bytes(6) + data[52:]  # e_shoff, e_shentsize, e_shnum, e_shstrndx
    assert parse(stripped) == whole


def test_headers_inside_a_segment_need_sections(elf: bytes) -> None:
    stripped = elf[:32] + bytes(4) + elf[36:46] + bytes(6) + elf[52:]
    with pytest.raises(InputError, match="begins with the file's headers") as refused:
        parse(stripped)
    assert refused.value.place.address == 0x20000


def test_what_is_no_elf_file_is_refused(elf: bytes) -> None:
    assert read(io.BytesIO(elf), name="app.elf") == parse(elf)  # told by its bytes
    with pytest.raises(InputError, match="no ELF file") as refused:
        parse(b"\x00" + elf[1:])
    assert refused.value.found == "00 45 4C 46"


@pytest.mark.parametrize(
    ("at", "value", "expected", "found"),
    [
        (4, 2, "a 32-bit file", "64-bit"),
        (4, 9, "a 32-bit file", "class 9"),
        (5, 2, "a little-endian file", "big-endian"),
        (18, 3, "machine 40 (Arm)", "machine 3"),
        (16, 1, "an executable", "relocatable object (.o)"),
        (16, 3, "an executable", "shared object"),
        (16, 4, "an executable", "core dump"),
        (16, 9, "an executable", "type 9"),
    ],
)
def test_other_kinds_are_refused_by_name(elf: bytes, at: int, value: int, expected: str, found: str) -> None:
    with pytest.raises(InputError, match="kind that is not supported") as refused:
        parse(elf[:at] + bytes([value]) + elf[at + 1 :])
    assert expected in (refused.value.expected or "")
    assert found in (refused.value.found or "")
    assert refused.value.hint is not None


def test_a_real_object_file_is_refused(tool: Callable[[str], str], tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text(CODE)
    command = [tool("arm-none-eabi-gcc"), "-mcpu=cortex-m4", "-mthumb", "-c", "a.c", "-o", "a.o"]
    subprocess.run(command, cwd=tmp_path, check=True)
    with pytest.raises(InputError) as refused:
        parse((tmp_path / "a.o").read_bytes())
    assert "not linked yet" in (refused.value.found or "")


def test_a_file_that_was_cut_off_anywhere_is_refused(elf: bytes) -> None:
    for size in [4, 16, 51, 52, 100, *range(200, len(elf), 997), len(elf) - 1]:
        with pytest.raises(InputError, match="cut off"):
            parse(elf[:size])


def test_a_file_that_loads_nothing_is_refused(elf: bytes) -> None:
    with pytest.raises(InputError, match=r"in no segment|nothing in this ELF file is loaded"):
        parse(elf[:44] + bytes(2) + elf[46:])  # e_phnum
    bare = elf[:44] + bytes(2) + elf[46:48] + bytes(2) + elf[50:]  # and e_shnum
    with pytest.raises(InputError, match="nothing in this ELF file is loaded"):
        parse(bare)


def test_damaged_headers_give_input_errors_only(elf: bytes) -> None:
    chance = random.Random(20251125)
    outcomes = set()
    tables = int.from_bytes(elf[32:36], "little")
    for _ in range(3000):
        data = bytearray(elf)
        for _ in range(chance.randint(1, 3)):
            at = chance.choice([chance.randrange(52), chance.randrange(52, 148), chance.randrange(tables, len(elf))])
            data[at] = chance.choice([0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)])
        try:
            parse(bytes(data))
            outcomes.add("read")
        except InputError as error:
            outcomes.add(error.message)
    assert {"read", "this ELF file was cut off", "this ELF file is of a kind that is not supported"} < outcomes


def crowded(segments: int, sections: int, size: int = 16) -> bytes:
    """A file whose segments all load the same bytes, which all sections hold; System V ABI, chapters 4 and 5."""
    begin, end = 52 + 32 * segments, 52 + 32 * segments + size
    head = b"\x7fELF\x01\x01\x01" + bytes(9)
    head += struct.pack("<HHIIIIIHHHHHH", 2, 40, 1, 0, 52, end, 0, 52, 32, segments, 40, sections, 0)
    segment = struct.pack("<8I", 1, begin, 0x20000, 0x20000, size, size, 5, 4)
    section = struct.pack("<10I", 0, 1, 2, 0x20000, begin, size, 0, 0, 1, 0)
    return head + segment * segments + b"x" * size + section * sections


def test_crowds_of_segments_and_sections_are_refused() -> None:
    """All of them against all of them would be sixteen million; what is said is worked out without."""
    assert parse(crowded(16, 16)).size == 16
    with pytest.raises(InputError, match="more segments and sections than any firmware") as refused:
        parse(crowded(4096, 4096))
    assert refused.value.found == "4096 segments and 4096 sections"


def test_the_same_bytes_again_and_again_are_refused() -> None:
    """Sixteen thousand times four megabytes would be compared."""
    with pytest.raises(InputError, match="loads more than imgseal reads"):
        parse(crowded(128, 128, 4 << 20))


def test_nothing_may_follow_where_firmware_has_to_be_alone(elf: bytes) -> None:
    """Builds do not ask; a linker's file, and one without sections, end where they say."""
    bare = as_elf(0x20400, b"abcd")
    for data in (elf, bare):
        whole = parse(data)
        assert alone(data) == alone(data + bytes(3)) == parse(data + b"more") == whole
        with pytest.raises(InputError, match="something follows the end of this ELF file") as refused:
            alone(data + bytes(5) + b"PK\x03\x04")
        assert refused.value.place.offset == len(data) + 5
        assert refused.value.found == "50 4B 03 04"


def alone(data: bytes) -> MemoryImage:
    return read(io.BytesIO(data), name="app.elf", aside=bytearray())
