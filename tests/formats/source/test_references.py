"""Readers held against intelhex, bincopy, GNU objcopy and srec_cat: on real firmware, generated files and damaged ones."""

import io
import random
import subprocess
import warnings
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import bincopy
import intelhex
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgseal.errors import InputError
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.source import read

DEBIAN = "/usr/share/firmware-microbit-micropython/firmware.hex"
Content = dict[int, int]


def content(image: MemoryImage) -> Content:
    return {r.address + n: byte for r in image.regions for n, byte in enumerate(image.read(*r))}


def by_us(text: bytes) -> Content:
    return content(read(io.BytesIO(text), name="a.hex"))


def by_intelhex(text: bytes) -> Content:
    source = intelhex.IntelHex()
    source.loadhex(io.StringIO(text.decode("ascii")))
    return _bytes_of(source)


def _bytes_of(source: intelhex.IntelHex) -> Content:
    return {address: source[address] for start, end in source.segments() for address in range(start, end)}


def by_bincopy(text: bytes) -> Content:
    source = bincopy.BinFile()
    source.add(text.decode("ascii"))
    return {s.minimum_address + n: byte for s in source.segments for n, byte in enumerate(s.data)}


def microbit_files() -> list[Path]:
    package = find_spec("micropython_microbit_fs")
    assert package is not None
    assert package.origin is not None
    return sorted(Path(package.origin).parent.glob("hexes/**/*.hex"))


@pytest.mark.parametrize("path", microbit_files(), ids=lambda path: path.name)
def test_real_firmware_from_pypi(path: Path, tool: Callable[[str], str], tmp_path: Path) -> None:
    compare_with_all(path, tool, tmp_path)


def test_there_is_real_firmware_from_pypi() -> None:
    assert len(microbit_files()) >= 2


def test_real_firmware_from_debian(tool: Callable[[str], str], tmp_path: Path) -> None:
    compare_with_all(Path(tool(DEBIAN)), tool, tmp_path)


def compare_with_all(path: Path, tool: Callable[[str], str], folder: Path) -> None:
    text = path.read_bytes()
    with open(path, "rb") as stream:
        image = read(stream, name=path.name)
    ours = content(image)
    assert ours == by_intelhex(text) == by_bincopy(text)
    source = intelhex.IntelHex(str(path))
    assert (source.start_addr or {}).get("EIP", image.start_address) == image.start_address
    # through S-records and back: our S-record reader against the other two tools' writers and HEX readers
    objcopy, srec_cat = tool("objcopy"), tool("srec_cat")
    subprocess.run([objcopy, "-I", "ihex", "-O", "srec", "--srec-forceS3", path, folder / "o.srec"], check=True)
    subprocess.run([srec_cat, path, "-intel", "-o", folder / "s.srec", "-motorola"], check=True)
    subprocess.run([srec_cat, path, "-intel", "-o", folder / "s.hex", "-intel"], check=True)
    for name in ("o.srec", "s.srec", "s.hex"):
        assert by_us((folder / name).read_bytes()) == ours, name


@st.composite
def hex_files(draw: st.DrawFn) -> tuple[bytes, bool]:
    """A file of records as real tools write them, in any mixture, without overlaps; and whether types are mixed."""
    lines: list[str] = []
    taken: set[int] = set()
    kinds: set[int] = set()
    for _ in range(draw(st.integers(1, 6))):
        kind = draw(st.sampled_from([2, 4]))
        value = draw(st.integers(0, 0xFFFF))
        base = value << (4 if kind == 2 else 16)
        offset, width, count = draw(st.integers(0, 0xFF00)), draw(st.integers(1, 40)), draw(st.integers(1, 40))
        addresses = range(base + offset, base + min(offset + width * count, 0x10000))
        if taken.intersection(addresses):
            continue
        taken.update(addresses)
        kinds.add(kind)
        data = draw(st.randoms(use_true_random=False)).randbytes(len(addresses))
        group = [_record(kind, 0, value.to_bytes(2))]
        records = [_record(0, offset + at, data[at : at + width]) for at in range(0, len(data), width)]
        if draw(st.booleans()):
            draw(st.randoms(use_true_random=False)).shuffle(records)
        lines += group + records
        if draw(st.booleans()):
            lines = [line.lower() for line in lines]
    lines.append(_record(1, 0, b""))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    return "".join(line + end for line in lines).encode(), len(kinds) > 1


def _record(kind: int, offset: int, data: bytes) -> str:
    raw = bytes([len(data), offset >> 8, offset & 0xFF, kind]) + data
    return ":" + (raw + bytes([-sum(raw) & 0xFF])).hex().upper()


@settings(max_examples=150)
@given(hex_files())
def test_generated_files_read_as_intelhex_reads_them(file: tuple[bytes, bool]) -> None:
    assert by_us(file[0]) == by_intelhex(file[0])


@pytest.mark.parametrize("seed", range(6))
def test_generated_images_through_objcopy_and_srec_cat(seed: int, tool: Callable[[str], str], tmp_path: Path) -> None:
    chance = random.Random(seed)
    source, srec_cat, objcopy = intelhex.IntelHex(), tool("srec_cat"), tool("objcopy")
    for start in (0, 0x1_FFF3, 0x8_0000, 0x0800_0000, 0x1000_1000):
        source.frombytes(chance.randbytes(chance.randint(1, 5000)), offset=start)
    expected = _bytes_of(source)
    source.write_hex_file(str(tmp_path / "a.hex"), byte_count=chance.choice([7, 16, 32, 255]))
    assert by_us((tmp_path / "a.hex").read_bytes()) == expected
    for form in ("ihex", "srec"):
        subprocess.run([objcopy, "-I", "ihex", "-O", form, "a.hex", f"o.{form}"], cwd=tmp_path, check=True)
        assert by_us((tmp_path / f"o.{form}").read_bytes()) == expected
    for form in ("-intel", "-motorola"):
        width = f"-output-block-size={chance.choice([8, 16, 24])}"
        subprocess.run([srec_cat, "a.hex", "-intel", "-o", "s.txt", form, width], cwd=tmp_path, check=True)
        assert by_us((tmp_path / "s.txt").read_bytes()) == expected


def test_damaged_text_is_refused_or_read_as_intelhex_reads_it(tool: Callable[[str], str]) -> None:
    chance = random.Random(20251125)
    real = Path(tool(DEBIAN)).read_bytes().splitlines(keepends=True)
    outcomes = {"read": 0, "refused": 0}
    for _ in range(3000):
        first = chance.randrange(len(real) - 40)
        lines = [real[0], *real[first : first + chance.randint(1, 40)], b":00000001FF\n"]
        text = bytearray(b"".join(lines))
        for _ in range(chance.choice([0, 1, 1, 2])):
            at = chance.randrange(len(text))
            action = chance.randrange(5)
            if action == 0:
                del text[at]
            elif action == 1:
                text.insert(at, chance.choice(b":\r\n0F \x00\xff"))
            elif action == 2:
                del text[at : at + chance.randint(1, 100)]
            elif action == 3:
                text[at] = chance.choice(b"0123456789abcdefABCDEF:\n")
            else:
                text[at:at] = text[at : at + chance.randint(1, 90)]
        damaged = bytes(text)
        try:
            ours = read(io.BytesIO(damaged), name="a.hex", kind="intel-hex")
        except InputError:
            outcomes["refused"] += 1
            continue
        outcomes["read"] += 1
        plain = b"\n".join(line.strip() for line in damaged.splitlines() if line.strip())
        if ours.notes:
            continue  # given twice, or text behind the end: intelhex refuses both
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            assert content(ours) == by_intelhex(plain)
    assert min(outcomes.values()) > 300, outcomes
