"""What is written, held against intelhex and GNU objcopy, and read back."""

import io
import subprocess
from collections.abc import Callable
from pathlib import Path

import intelhex
import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgseal.formats.memory.builder import ImageBuilder
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.source import read
from imgseal.formats.source.intel_hex_writer import write_intel_hex

ENDS = st.sampled_from([0, 1, 15, 0xFFF0, 0xFFFF, 0x1_0000, 0x2_FFF1, 0x0800_0000, 0xFFFE_FFF8])


def text_of(image: MemoryImage) -> bytes:
    pieces = ((region.address, image.read(*region)) for region in image.regions)
    return b"".join(write_intel_hex(pieces, image.start_address))


@given(st.dictionaries(ENDS, st.binary(min_size=1, max_size=100), min_size=1), st.none() | st.integers(0, 2**32 - 1))
def test_what_is_written_is_read_back_by_intelhex_and_by_us(pieces: dict[int, bytes], start: int | None) -> None:
    builder = ImageBuilder()
    end = 0
    for address, data in sorted(pieces.items()):
        if address >= end:
            builder.add(address, data)
            end = address + len(data)
    image = builder.finish(start_address=start)
    text = text_of(image)
    assert read(io.BytesIO(text), name="a") == image
    other = intelhex.IntelHex()
    other.loadhex(io.StringIO(text.decode()))
    assert MemoryImage.from_intelhex(other) == image


def test_records_stay_inside_64_kib_and_the_upper_half_is_written_when_it_changes() -> None:
    assert text_of(MemoryImage.from_bytes(0x1_FFFE, b"abcd", start_address=0x101)).decode().splitlines() == [
        ":020000040001F9",
        ":02FFFE0061623E",
        ":020000040002F8",
        ":020000006364" + "37",
        ":0400000500000101F5",
        ":00000001FF",
    ]


@pytest.mark.parametrize("size", [1, 16, 17, 0x1_0000, 0x2_0005])
def test_pieces_may_be_cut_anywhere(size: int) -> None:
    data = bytes((7 * n) & 0xFF for n in range(size))
    whole = b"".join(write_intel_hex([(0x1000, data)]))
    cut = b"".join(write_intel_hex([(0x1000 + at, data[at : at + 0x1000]) for at in range(0, size, 0x1000)]))
    assert cut == whole


def test_objcopy_writes_the_same_records(tool: Callable[[str], str], tmp_path: Path) -> None:
    data = bytes((n * n >> 3) & 0xFF for n in range(0x2_1234))
    (tmp_path / "a.bin").write_bytes(data)
    command = [tool("objcopy"), "-I", "binary", "-O", "ihex", "--change-addresses", "0x8000000", "a.bin", "a.hex"]
    subprocess.run(command, cwd=tmp_path, check=True)
    theirs = (tmp_path / "a.hex").read_bytes().replace(b"\r\n", b"\n").splitlines()
    ours = b"".join(write_intel_hex([(0x0800_0000, data)], 0x0800_0000)).splitlines()
    assert ours == theirs
