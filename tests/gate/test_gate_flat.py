"""Flat binaries, known by their vector table without being told to; and what is passed over, with the reason.

Source of truth: docs/gate.md; Armv7-M Architecture Reference Manual B1.5.3 for the table. Debian's firmware is the real one.
"""

import gzip
import json
import os
import random
import struct
import tarfile
import zipfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pytest
from gate_tree import SLOTS, as_tar, as_targz, as_zip, payload, sealed
from test_gate_rules import GOOD, NO_LOG, excuse, out, outcomes, put
from workshop import Imgseal, product

from imgseal.formats.source import read
from imgseal.gate.vector_table import VectorTables
from imgseal.product.model import Memory

__all__ = ["out"]

BODY = payload("motor-a", 5)
STACK, RESET = 0x2002_0000, 0x0002_0501


def table(stack: int = STACK, reset: int = RESET, **handlers: int) -> bytes:
    """The sixteen entries of a core; h4 is the handler of number 4."""
    named = {f"h{number}": RESET for number in range(2, 16)} | handlers
    return struct.pack("<16I", stack, reset, *(named[f"h{number}"] for number in range(2, 16)))


def found(data: bytes, step: int = 1 << 20) -> list[int]:
    tables = VectorTables([product()])
    hits = [tables.first(data[:4096])]
    for at in range(0, len(data), step):
        begin = max(0, at - 64)
        hits.append(tables.find(data[begin : at + step], begin))
    return [hit.offset for hit in hits if hit is not None]


def test_a_flat_binary_is_firmware(imgseal: Imgseal, out: Path) -> None:
    """Whatever its name and wherever it lies; as the payload of a good image it is that image's source."""
    other = BODY[:-1] + b"!"
    put(out, a=GOOD, motor__bin=other, y__zip=as_zip({"notes": other}), z__tgz=as_targz({"x": other}))
    refused = dict.fromkeys(("motor.bin", "y.zip/notes", "z.tgz/x"), "gate.not-sealed")
    assert outcomes(imgseal, "--fresh") == {"a": "good", **refused}
    said = imgseal("gate", "out/motor.bin", "--fresh").out
    assert "stack pointer 0x20020000 in ram, reset vector 0x" in said
    assert " in internal" in said
    assert "offset 0" in said
    put(out, b=sealed("motor-a", other))
    sources = dict.fromkeys(refused, "source")
    assert outcomes(imgseal, "--fresh") == {"a": "good", "b": "good", **sources}


def test_behind_a_header_and_in_a_dump_of_the_flash(imgseal: Imgseal, out: Path) -> None:
    blocks = b"".join(bytes(range(32)) + BODY[at : at + 256].ljust(480, b"\0") for at in range(0, len(BODY), 256))
    put(
        out,
        a=GOOD,
        dump=b"\xff" * 0x20400 + BODY,
        header=b"LOADER 1".ljust(64, b"\0") + BODY,
        blocks=blocks,
        y__zip=as_zip({"dump": b"\xff" * 0x20400 + BODY}),
    )
    files = ("blocks", "dump", "header", "y.zip/dump")
    assert outcomes(imgseal, "--fresh") == {"a": "good", **dict.fromkeys(files, "gate.not-sealed")}
    said = imgseal("gate", "out/dump", "--fresh").out
    assert "offset 132096" in said
    assert "name it in [gate] raw" in said
    excuse(out, ("dump", "2999-01-01"))
    assert outcomes(imgseal, "--fresh")["dump"] == "excused"


def test_what_makes_a_table() -> None:
    """The limits of the demo's RAM and flash, one beyond each of them."""
    of = product()
    ram, flash = of.memories["ram"], of.memories["internal"]
    for stack, holds in (
        (ram.base + ram.size, True),
        (ram.base + ram.size + 4, False),
        (ram.base + 4, True),
        (ram.base, False),
        (STACK - 2, False),
        (STACK - 4, True),
    ):
        assert found(table(stack=stack)) == ([0, 0] if holds else []), hex(stack)
    for reset, holds in (
        (flash.base + 17, True),
        (flash.base + 15, False),
        (flash.base + flash.size - 1, True),
        (flash.base + flash.size + 1, False),
        (RESET - 1, False),
    ):
        assert found(table(reset=reset)) == ([0, 0] if holds else []), hex(reset)
    assert found(table()[:8]) == [0]
    assert found(table()[:7]) == []


HANDLERS = {
    "h2": 0,
    "h3": 0,
    "h4": 2,
    "h5": RESET + 1,
    "h6": 0xFFFF_FFFF,
    "h11": 1,
    "h12": 4,
    "h14": 0x6000_0001,
    "h15": 9,
}


def test_behind_other_bytes_the_system_handlers_count_as_well() -> None:
    """Those that cores have, or zero where one may have none; not those that makers use for something else."""
    for front in (32, 64, 512, 4096, (1 << 20) - 32, 1 << 20):
        assert found(bytes(front) + table()) == [front]
        assert found(bytes(front) + table(h4=0, h5=0, h6=0, h11=0, h12=0, h14=0, h15=0)) == [front]
        assert found(bytes(front) + table(h7=5, h8=0xFFFF_FFFF, h9=6, h10=0x1234, h13=8)) == [front]
        for name, value in HANDLERS.items():
            assert found(bytes(front) + table(**{name: value})) == [], (front, name)
        assert found(bytes(front) + table()[:63]) == []
    assert found(bytes(48) + table()) == []
    assert found(b"") == []


def test_a_table_at_the_end_of_a_file_and_over_pieces(imgseal: Imgseal, out: Path) -> None:
    """Found however the rest of a file divides: PassedOver looks at whole blocks and at what is left."""
    for size in (512 * 3 + 96, 512 * 3 + 32, (1 << 20) + 480, (2 << 20) - 32, (1 << 20) - 64):
        put(out, a=GOOD, x=b"\xff" * size + table(), z__zip=as_zip({"x": b"\xff" * size + table()}))
        assert outcomes(imgseal, "--fresh") == {"a": "good", "x": "gate.not-sealed", "z.zip/x": "gate.not-sealed"}


def test_other_data_is_no_firmware() -> None:
    """Random bytes, small numbers, text in both byte orders of UTF-16, addresses of the same memories."""
    rng = random.Random(7)
    assert found(rng.randbytes(8 << 20)) == []
    assert found(b"".join(struct.pack("<I", n) for n in range(1 << 18))) == []
    assert found(b"".join(struct.pack("<I", 0x2000_0000 + n) for n in range(0, 1 << 18, 4))) == []
    text = "    the quick brown fox jumps over the lazy dog  \n" * 4000
    for encoding in ("ascii", "utf-16-le", "utf-16-be", "utf-32-le"):
        assert found(text.encode(encoding)) == []
    assert VectorTables([]).first(table()) is None
    assert VectorTables([]).find(table(), 0) is None


def test_real_firmware_is_recognised(tool: Callable[[str], str]) -> None:
    """Debian's MicroPython for a board with 256 KiB of flash at 0 and 16 KiB of RAM, as the flat binary that a programmer reads."""
    with Path(tool("/usr/share/firmware-microbit-micropython/firmware.hex")).open("rb") as stream:
        image = read(stream, name="firmware.hex")
    region = image.regions[0]
    data = image.read(region.address, region.size)
    of = product()

    def memories(ram: int, flash: int) -> dict[str, Memory]:
        base = {"ram": 0x2000_0000, "internal": 0}
        size = {"ram": ram, "internal": flash}
        return {name: of.memories[name]._replace(base=base[name], size=size[name]) for name in base}

    mine = VectorTables([of._replace(memories=memories(16 << 10, 256 << 10))])
    found = mine.first(data[:4096])
    assert found is not None
    assert found.offset == 0
    behind = mine.find(b"\xff" * 512 + data, 0)
    assert behind is not None
    assert behind.offset == 512
    assert VectorTables([of._replace(memories=memories(4 << 10, 256 << 10))]).first(data[:4096]) is None


# -- what is passed over -------------------------------------------------------------------------------------------


def passed(imgseal: Imgseal) -> dict[str, str]:
    said = imgseal("gate", "out", "--fresh", "--format", "json")
    assert said.status in (0, 1), said.err
    return {each["artefact"].removeprefix("out/"): each["because"] for each in json.loads(said.out)["passed_over"]}


def test_everything_passed_over_is_listed_with_the_reason(imgseal: Imgseal, out: Path) -> None:
    """Every file, and no comment of an archive, which is looked at and becomes none."""
    commented = BytesIO(as_zip({"deep/notes": b"hello", "deep/": b""}))
    with zipfile.ZipFile(commented, "a") as archive:
        archive.comment = b"made by hand"
    elf = b"\x7fELF\x01\x01\x01" + bytes(9)
    put(
        out,
        a=GOOD,
        app__o=elf + b"\x01\0\x28\0" + bytes(40),
        tool=elf + b"\x02\0\x3e\0" + bytes(40),
        empty=b"",
        notes=b"how it was built\n",
        map=bytes(range(256)),
        y__zip=commented.getvalue(),
        z__tgz=as_targz({"x": b"\0" * 600}),
    )
    (out / "link").symlink_to("notes")
    os.mkfifo(out / "pipe")
    wanted = {
        "app.o": "ELF, an object file that is not linked",
        "empty": "it is empty",
        "link": "a link to notes, below the same folder",
        "map": "other data; no firmware, archive or private key in 256 bytes",
        "notes": "text; no firmware, archive or private key in 17 bytes",
        "pipe": "it is no file, but a pipe, a socket or a device",
        "tool": "ELF, for another processor (machine 62)",
        "y.zip/deep/notes": "text; no firmware, archive or private key in 5 bytes",
        "z.tgz/x": "other data; no firmware, archive or private key in 600 bytes",
    }
    assert passed(imgseal) == wanted
    said = imgseal("gate", "out", "--fresh", "--every").out
    assert [line for line in said.splitlines() if line.startswith("passed over: ")] == [
        f"passed over: out/{name}: {why}" for name, why in sorted(wanted.items())
    ]
    assert "9 passed over" in said
    short = imgseal("gate", "out", "--fresh").out
    assert "passed over: " not in short
    assert "9 passed over" in short


def test_every_file_is_an_artefact_or_passed_over(imgseal: Imgseal, out: Path) -> None:
    """Generated trees: nothing is looked at and then not spoken of."""
    rng = random.Random(3)
    kinds = (GOOD, BODY, b"", b"text\n", rng.randbytes(700), b"\x7fELF" + bytes(60), table())
    names = set()
    for number in range(60):
        data = rng.choice(kinds)
        name = f"f{number:02}"
        if number % 4 == 0:
            (out / name).write_bytes(as_zip({"m": data}))
            names.add(f"{name}/m")
        elif number % 4 == 1:
            (out / name).write_bytes(rng.choice((as_tar, as_targz))({"m": data}))
            names.add(f"{name}/m")
        elif number % 4 == 2:
            (out / name).write_bytes(gzip.compress(data))
            names.add(name)
        else:
            (out / name).write_bytes(data)
            names.add(name)
    told = {**outcomes(imgseal, "--fresh"), **passed(imgseal)}
    assert set(told) == names


def test_a_member_without_content_is_no_file(imgseal: Imgseal, out: Path) -> None:
    made = BytesIO()
    with tarfile.open(fileobj=made, mode="w") as archive:
        for name, kind in (("folder", tarfile.DIRTYPE), ("link", tarfile.SYMTYPE)):
            info = tarfile.TarInfo(name)
            info.type = kind
            info.linkname = "x" if kind == tarfile.SYMTYPE else ""
            archive.addfile(info)
    put(out, a=GOOD, t__tar=made.getvalue())
    assert outcomes(imgseal, "--fresh") == {"a": "good"}
    assert passed(imgseal) == {"t.tar/link": "a link to x"}


def test_the_product_file_still_names_what_has_no_table(imgseal: Imgseal, out: Path) -> None:
    assert '"**/*.raw"' in NO_LOG
    put(out, a=GOOD, words__raw=b"without a table", words__txt=b"without a table")
    assert outcomes(imgseal, "--fresh") == {"a": "good", "words.raw": "gate.not-sealed"}
    assert list(passed(imgseal)) == ["words.txt"]


@pytest.mark.parametrize("slot", ["motor-a", "motor-b", "radio"])
def test_each_component_and_each_slot(slot: str) -> None:
    assert found(payload(slot, 1))[:1] == [0]
    assert SLOTS[slot] % 32 == 0
