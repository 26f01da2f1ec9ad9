"""`imgseal delta`: what goes in, what it says, and what it refuses."""

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from small_pairs import RAM, functions, link
from workshop import ALL, Imgseal

BASE = 0x2_0400
HERE = Path(__file__).parent / "pairs"


@pytest.fixture
def images(project: Path) -> tuple[bytes, bytes]:
    import random

    draw = random.Random(4)
    vectors = (RAM + 0x4000).to_bytes(4, "little") + (BASE + 0x101).to_bytes(4, "little") + bytes(248)
    before = functions(draw, 200)
    after = [(before[0][0], [0xBF00, 0xBF00, *before[0][1]]), *before[1:]]
    old, new = (vectors + link(each, BASE + 256) for each in (before, after))
    (project / "old.bin").write_bytes(old)
    (project / "new.bin").write_bytes(new)
    return old, new


def test_there_and_back(imgseal: Imgseal, project: Path, images: tuple[bytes, bytes]) -> None:
    _, new = images
    said = imgseal("delta", f"old.bin@{BASE}", f"new.bin@0x{BASE:x}", "--out", "it.patch", "--json")
    assert said.status == 0, said.err
    document = json.loads(said.out)
    assert list(document) == ["old", "new", "bytes", "seconds", "model", "table", "symbols", "advice"]
    assert document["bytes"] == (project / "it.patch").stat().st_size < 100
    assert (document["model"], document["new"]) == ("code", len(new))
    assert document["table"] <= 2
    for old in ("old.bin", f"old.bin@{BASE}"):
        assert imgseal("delta", old, "--apply", "it.patch", "--out", "again.bin").status == 0
        assert (project / "again.bin").read_bytes() == new
    text = imgseal("delta", f"old.bin@{BASE}", f"new.bin@{BASE}").out.splitlines()
    assert text[0].startswith(f"{document['bytes']} bytes make {len(new)} of ")
    whole = imgseal("delta", "-", f"new.bin@{BASE}").out.split()
    assert f"({100 * int(whole[0]) / len(new):.1f} %)," in " ".join(whole)
    assert len(text[1]) == len("  where   []") + 64
    assert text[1].index("#") < 20  # at the begin, where the change is


def test_without_an_address_it_is_data(imgseal: Imgseal, images: tuple[bytes, bytes]) -> None:
    document = json.loads(imgseal("delta", "old.bin", "new.bin", "--json").out)
    assert document["model"] == "data"
    assert any("FILE@ADDRESS" in advice for advice in document["advice"])
    odd = json.loads(imgseal("delta", f"old.bin@{BASE + 4}", f"new.bin@{BASE + 4}", "--json").out)
    assert odd["model"] == "data"
    assert any("multiple of 256" in advice for advice in odd["advice"])


def test_without_an_old_image(imgseal: Imgseal, project: Path, images: tuple[bytes, bytes]) -> None:
    document = json.loads(imgseal("delta", "-", f"new.bin@{BASE}", "--out", "whole.patch", "--json").out)
    assert document["old"] == 0
    assert document["bytes"] < len(images[1])
    assert imgseal("delta", "-", "--apply", "whole.patch", "--out", "again.bin").status == 0
    assert (project / "again.bin").read_bytes() == images[1]


def test_noise_is_told_of(imgseal: Imgseal, project: Path) -> None:
    import random

    (project / "noise.bin").write_bytes(random.Random(1).randbytes(20_000))
    document = json.loads(imgseal("delta", "-", "noise.bin", "--json").out)
    assert any("cipher" in advice for advice in document["advice"])


def test_sealed_images(imgseal: Imgseal, project: Path) -> None:
    """Their address is that of the statement; one signature and the header are most of what is new."""
    imgseal("build", *ALL, "--release", "--out", "one")
    later = ("--set", "release.sequence=18", "--set", "release.version=2.4.2")
    imgseal("build", *ALL, "--release", "--out", "two", *later)
    name = "motor-a.sealed.bin"
    said = imgseal("delta", f"one/{name}", f"two/{name}", "--json", "--out", "it.patch")
    document = json.loads(said.out)
    assert document["model"] == "code"
    assert document["bytes"] < 400
    assert imgseal("delta", f"one/{name}", "--apply", "it.patch", "--out", "it.bin").status == 0
    assert (project / "it.bin").read_bytes() == (project / "two" / name).read_bytes()
    text = next((project / "one").glob("phrases*"))
    assert json.loads(imgseal("delta", str(text), str(text), "--json").out)["model"] == "data"


def test_names_from_elf_and_map(imgseal: Imgseal, project: Path, tool: Callable[[str], str]) -> None:
    compiler = tool("arm-none-eabi-gcc")
    for name, more in (("old", "0"), ("new", "channel * 3 + 1")):
        (project / "it.c").write_text(
            "int other(int channel) { return channel + 7; }\n"
            f"int valve(int channel) {{ return other(channel) + other({more}); }}\n"
            'void start(void) { valve(1); }\nvoid *const vectors[2] __attribute__((section(".text.first"))) = { (void *)0x20004000, start };\n'
        )
        (project / "it.ld").write_text(
            "MEMORY { FLASH (rx) : ORIGIN = 0x20400, LENGTH = 64K }\nENTRY(start)\nSECTIONS { .text : { *(.text.first) *(.text*) } > FLASH }\n"
        )
        subprocess.run(
            [compiler, "-mcpu=cortex-m4", "-mthumb", "-O1", "-fno-inline", "-ffunction-sections", "-nostdlib", "-T", "it.ld",
             "-Wl,-Map=it.map", "it.c", "-o", f"{name}.elf"],
            cwd=project, check=True,
        )  # fmt: skip
    named = json.loads(imgseal("delta", "old.elf", "new.elf", "--json").out)["symbols"]
    assert named[0]["name"] == "valve"
    mapped = json.loads(imgseal("delta", "old.elf", "new.elf", "--symbols", "it.map", "--json").out)["symbols"]
    assert mapped[0]["name"] == "valve"
    assert "valve" in imgseal("delta", "old.elf", "new.elf").out
    (project / "empty.map").write_text("Memory Configuration\n")
    said = imgseal("delta", "old.elf", "new.elf", "--symbols", "empty.map")
    assert said.status == 3
    assert "names no symbols" in said.err


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (("old.bin",), 2, "give NEW, or a patch"),
        (("old.bin", "new.bin", "--apply", "it.patch"), 2, "give NEW, or a patch"),
        (("old.bin", "--apply", "it.patch"), 2, "--out FILE"),
        (("old.bin", "new.bin", "--out", "old.bin"), 2, "old.bin"),
        (("old.bin", "--apply", "it.patch", "--out", "it.patch"), 2, "it.patch"),
        (("old.bin", "new.bin", "--out", "imgseal.toml"), 2, "never overwritten"),
        (("old.bin", "new.bin", "--out", "short.bin"), 2, "short.bin: this file exists already"),
        (("old.bin", "--apply", "it.patch", "--out", "imgseal.toml"), 2, "this is a product file"),
        (("whole.suit", "new.bin"), 3, "found: update package"),
        (("old.bin", "whole.suit"), 3, "found: update package"),
        (
            ("old.bin", "--apply", "spoiled.patch", "--out", "again.bin"),
            3,
            "this is no patch for that image",
        ),
        (("short.bin", "--apply", "it.patch", "--out", "again.bin"), 3, "reaches beyond the old image"),
        (("old.bin", "--apply", "old.bin", "--out", "again.bin"), 3, "no version that is known"),
        (("old.bin", "nothing.bin"), 3, "nothing.bin"),
        (("old.bin@0x20400", "empty.bin@0x20400"), 3, "empty"),
        (("old.bin", "large.bin"), 3, "larger than patches are made of"),
        (("old.bin@0x20400", "large.bin@0x20400"), 3, "larger than patches are made of"),
    ],
)
def test_refusals(
    imgseal: Imgseal, project: Path, images: tuple[bytes, bytes], arguments: tuple[str, ...], status: int, words: str
) -> None:
    imgseal("delta", f"old.bin@{BASE}", f"new.bin@{BASE}", "--out", "it.patch")
    patch = (project / "it.patch").read_bytes()
    (project / "spoiled.patch").write_bytes(patch[:-1] + bytes([patch[-1] ^ 1]))
    (project / "short.bin").write_bytes(images[0][:-8])
    (project / "empty.bin").write_bytes(b"")
    (project / "whole.suit").write_bytes(b"\xd8\x6b\xa2")
    with (project / "large.bin").open("wb") as file:
        file.truncate((16 << 20) + 1)
    said = imgseal("delta", *arguments)
    assert said.status == status, said.err
    assert words in said.err
    assert not (project / "again.bin").exists()
    assert (project / "it.patch").read_bytes() == patch
