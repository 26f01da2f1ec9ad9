"""`imgseal factory --parts`: the parts together are the factory image, and what has to be apart is."""

import hashlib
import json
import random
import re
from pathlib import Path

import intelhex
import pytest
from channel_product import build, make_channels
from test_factory_command import line  # noqa: F401 - a fixture
from variants import DEMO, NAMES, firmware, text_of_name
from workshop import Imgseal, write_project

from imgseal.factory.parts import PURPOSES
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.product.model import Product
from imgseal.product.read_toml import read

SIGNING = '\n[signing.release]\nimages = "keys/images.pem"\npackages = "keys/packages.pem"\n'
ANCHORS = '\n[slot.anchors]\nmemory = "internal"\nat = 0xE000\nsize = "4 KiB"\nholds = "anchors"\n'
FREE = 0xF000
"""Where no slot lies in any of the products."""


def drawn_product(name: str, draw: random.Random) -> str:
    """One of the products with what `imgseal factory` merges beside the images drawn anew."""
    text = text_of_name(name)
    if name != DEMO:
        text += SIGNING + (ANCHORS if draw.random() < 0.7 else "")
    if draw.random() < 0.3:
        text = re.sub(r"(\[memory\.internal\]\n)", "\\1erased = 0x00\n", text)
    text = text[: text.index("[factory]")] + text[text.index("# -- who may sign") :] if name == DEMO else text
    ranges = sorted(draw.sample(range(16), draw.randrange(4)))
    return text + '\n[factory]\nbootloader = "bootloader.hex"\n' + "".join(
        f'[[factory.range]]\nfile = "range-{number}.bin"\nat = {FREE + 64 * number}\n' for number in ranges
    )  # fmt: skip


def write_files(folder: Path, product: Product, draw: random.Random) -> tuple[list[str], list[str]]:
    """Firmware of the release, and of the recovery image; the bootloader, in one piece or more, and the ranges."""
    release: list[str] = []
    recovery: list[str] = []
    for number, file in enumerate(firmware(product, str(draw.random()))):
        assert isinstance(file.content, MemoryImage)
        (region,) = file.content.regions
        data = file.content.read(region.address, region.size)
        (folder / f"{number}.hex").write_bytes(b"".join(write_intel_hex([(region.address, data)])))
        rest = recovery if product.components[file.component].recovery else release
        rest.append(f"{file.component}={number}.hex")
    pieces = [(at * 512, draw.randbytes(draw.randrange(1, 512))) for at in range(draw.randrange(1, 5))]
    (folder / "bootloader.hex").write_bytes(b"".join(write_intel_hex(pieces)))
    for number in range(16):
        (folder / f"range-{number}.bin").write_bytes(b"\x80" + draw.randbytes(draw.randrange(64)))
    return release, recovery


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", NAMES)
def test_the_parts_together_are_the_factory_image(
    imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, seed: int
) -> None:
    """Byte for byte, as Intel HEX and as binaries by the addresses in their names; each range in one part alone."""
    monkeypatch.chdir(tmp_path)
    draw = random.Random(f"{name} {seed}")
    text = drawn_product(name, draw)
    write_project(tmp_path, text)
    product = read(text, name="imgseal.toml")
    release, recovery = write_files(tmp_path, product, draw)
    packages = []
    for out, files, sequence in (("r", release, 20), ("s", recovery, 1)):
        if files:
            numbers = ("--set", f"release.sequence={sequence}", "--out", out)
            said = imgseal("build", *files, "--release", "--revision", "abcd", *numbers)
            assert said.status == 0, said.err
            packages.append(said.out.splitlines()[-1])
    said = imgseal("factory", *packages, "--parts")
    assert said.status == 0, said.err
    folder = tmp_path / "factory"
    (whole,) = folder.glob("*.factory.hex")
    wanted = intelhex.IntelHex(str(whole)).todict()
    document = json.loads((folder / "factory.json").read_text())
    from_hex: dict[int, int] = {}
    from_binaries: dict[int, int] = {}
    for part in document["parts"]:
        assert f"factory/{part['hex']}: {PURPOSES[part['part']]}\n" in said.out
        mine = intelhex.IntelHex(str(folder / part["hex"])).todict()
        assert not from_hex.keys() & mine.keys()
        from_hex |= mine
        ranges: dict[int, int] = {}
        for each in part["ranges"]:
            data = (folder / each["file"]).read_bytes()
            address = int(Path(each["file"]).name.split("-")[0], 16)
            assert (address, len(data), hashlib.sha256(data).hexdigest()) == (
                each["address"], each["size"], each["sha256"],
            )  # fmt: skip
            ranges |= dict(enumerate(data, address))
        assert ranges == mine
        from_binaries |= ranges
    assert from_hex == from_binaries == wanted
    there = {str(path.relative_to(folder)) for path in folder.glob("parts/*")}
    named = [part["hex"] for part in document["parts"]]
    named += [each["file"] for part in document["parts"] for each in part["ranges"]]
    assert (there, len(there)) == (set(named), len(named))
    # what a device asks for is there before what asks for it
    held = {slot.holds: slot for slot in product.slots.values()}
    assert [part["part"] for part in document["parts"]] == [
        name for name in PURPOSES if name != "anchors" or "anchors" in held
    ]  # fmt: skip
    for purpose, holds in (("anchors", "anchors"), ("record", "records")):
        for part in document["parts"]:
            if part["part"] == purpose:
                (only,) = part["ranges"]
                assert only["address"] == product.slot_base(held[holds].name)
    # and what starts is written last of all
    written = [each for part in document["parts"] for each in part["ranges"]]
    boot = product.slot_base(held["bootloader"].name)
    assert [each["address"] for each in written].index(boot) == len(written) - 1


def test_parts_are_written_when_they_are_asked_for(
    imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    draw = random.Random(1)
    text = drawn_product("two run slots", draw)
    write_project(tmp_path, text)
    release, _ = write_files(tmp_path, read(text, name="imgseal.toml"), draw)
    assert imgseal("build", *release, "--release").status == 0
    said = imgseal("factory", "out/small-1.0.0-5.suit")
    assert said.status == 0, said.err
    assert not (tmp_path / "factory" / "parts").exists()
    assert "parts" not in json.loads((tmp_path / "factory" / "factory.json").read_text())


def test_channels_differ_in_whom_they_trust_alone(imgseal: Imgseal, line: Path) -> None:  # noqa: F811
    make_channels(line)
    assert imgseal("log", "new").status == 0
    package = build(imgseal, "2.5.0", "production")
    own = ("--channel", "production", "--set", "release.version=1.0.0", "--revision", "abcd", "--out", "own")
    said = imgseal("build", "recovery=recovery.hex", "--release", *own)
    assert said.status == 0, said.err
    packages = (package, said.out.splitlines()[-1])
    for channel in ("beta", "production"):
        said = imgseal("factory", *packages, "--parts", "--channel", channel, "--out", channel)
        assert said.status == 0, said.err
    one, other = (
        {path.name: path.read_bytes() for path in (line / channel / "parts").iterdir()}
        for channel in ("beta", "production")
    )
    assert {name for name in one if one[name] != other[name]} == {"anchors.hex", "0000d000-anchors.bin"}
