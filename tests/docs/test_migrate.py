"""docs/migrate.md: every command and every change of a product file, in order; and the first start whatever was cut."""

import json
import re
import shlex
import shutil
from pathlib import Path

import intelhex
import pytest
from workshop import Imgseal

from imgseal.demo.firmware import code
from imgseal.formats.source.intel_hex_writer import write_intel_hex

PAGE = (Path(__file__).parents[2] / "docs" / "migrate.md").read_text()
BLOCKS = re.findall(r"```(toml|console)\n(.+?)\n```", PAGE, re.DOTALL)
REFUSED = {
    "45c48cce --set release.version=3.0.0 --set release.sequence=19 --product three.toml": (2, "laid out otherwise"),
    "check three/": (1, "identity.wrong-class"),
    "check out-3/": (1, "rules.requirement-not-met"),
    "build bootloader=": (2, "no such component"),
}
"""What the page says is refused, by a part of the command."""
OLD_PLACE, OLD_APPLICATION = 0x2000, 0x1000
"""What the old bootloader starts, and the size of the old application there."""


def change(path: Path, block: str) -> None:
    """Do to a product file what a block of the page says: its keys in its tables, put in or replaced."""
    text = path.read_text()
    for table, keys in re.findall(r"^(\[[\w.-]+\])\n((?:\w.*\n?)+)", block, re.MULTILINE):
        if f"{table}\n" not in text:
            text += f"\n{table}\n{keys}"
            continue
        before, rest = text.split(f"{table}\n", 1)
        own, header, behind = rest.partition("\n[")
        for line in keys.strip().split("\n"):
            name = line.split(" = ")[0]
            own = re.sub(rf"^{name} = .*\n", "", own, flags=re.MULTILINE)
            own = f"{line}\n{own}"
        text = f"{before}{table}\n{own}{header}{behind}"
    path.write_text(text)


@pytest.fixture
def field(project: Path) -> Path:
    """The product with the firmware that the page names; the bootloader is linked behind the old one."""
    (project / "firmware").mkdir()
    for name, link, size in (("firmware/bootloader.hex", OLD_PLACE, 5000), ("recovery.hex", 0x14400, 3000)):
        data = code(name, link=link, size=size, vectors=64, stack=0x2002_0000)
        (project / name).write_bytes(b"".join(write_intel_hex([(link, data)])))
    (project / "firmware/settings.bin").write_bytes(b"settings")
    return project


class Device:
    """What the old bootloader does, and what the last application of the old kind does with the parts."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        parts = json.loads((folder / "factory.json").read_text())["parts"]
        self.ranges = [
            (each["address"], (folder / each["file"]).read_bytes()) for part in parts for each in part["ranges"]
        ]
        self.flash = dict.fromkeys(range(OLD_PLACE, OLD_PLACE + OLD_APPLICATION), 0xA0)

    def write(self, steps: int) -> None:
        """Write so many ranges before the power is cut."""
        for address, data in self.ranges[:steps]:
            self.flash |= dict(enumerate(data, address))

    def starts(self) -> str:
        """What stands where the old bootloader jumps to."""
        return "old" if self.flash[OLD_PLACE] == 0xA0 else "new"

    def whole(self) -> bool:
        """Whether all that the new bootloader asks for is there."""
        return all(self.flash.get(at) == byte for start, data in self.ranges for at, byte in enumerate(data, start))


def whatever_was_cut(field: Path) -> None:
    """In the order of the page the old application starts until all is there; in another one a cut kills the device."""
    count = len(Device(field / "factory").ranges)
    assert count >= 7
    for steps in range(count + 1):
        device = Device(field / "factory")
        device.write(steps)
        assert device.starts() == ("new" if steps == count else "old")
        assert device.whole() == (steps == count)
    killed = Device(field / "factory")
    killed.ranges.sort()  # as the addresses are
    killed.write(1)
    assert (killed.starts(), killed.whole()) == ("new", False)


def changed_device(field: Path, dump: Path) -> None:
    """What a programmer reads of a device that has got the parts, and its old bootloader."""
    device = Device(field / "factory")
    device.write(len(device.ranges))
    image = intelhex.IntelHex()
    image.fromdict(device.flash | dict.fromkeys(range(OLD_PLACE), 0xB0))
    image.write_hex_file(str(dump))


def programmed_device(field: Path, dump: Path) -> None:
    """What it reads of a device that was programmed at a service visit."""
    (whole,) = (field / "service").glob("*.factory.hex")
    shutil.copy(whole, dump)


def old_bytes_are_found(imgseal: Imgseal, field: Path, arguments: list[str]) -> None:
    """Where a slot was not erased before it was written, or a free one has something in it, the comparison says it."""
    for address, slot in ((0x2F000, "motor-a"), (0x70000, "motor-b")):
        dump = intelhex.IntelHex(str(field / arguments[-1]))
        dump[address] = 0x5A
        dump.write_hex_file(str(field / "left.hex"))
        said = imgseal(*arguments[:-1], "left.hex")
        assert (said.status, f"differs   0x{address:08x} slot.{slot}" in said.out) == (1, True), said.out


DUMPS = {"dump.hex": changed_device, "visited.hex": programmed_device}


def test_the_page(imgseal: Imgseal, field: Path) -> None:
    refused, ran = set(), 0
    for kind, block in BLOCKS:
        if kind == "toml":
            first, rest = block.split("\n", 1)
            change(field / first.removeprefix("# "), f"{rest}\n")
            continue
        for line in block.split("\n"):
            program, *arguments = shlex.split(line)
            if program == "cp":
                shutil.copy(*arguments)
                continue
            assert program == "imgseal"
            if "--read-back" in line:
                DUMPS[arguments[-1]](field, field / arguments[-1])
                old_bytes_are_found(imgseal, field, arguments)
            said = imgseal(*arguments)
            status, words = next(((s, w) for part, (s, w) in REFUSED.items() if part in line), (0, ""))
            refused |= {part for part in REFUSED if part in line}
            assert (said.status, words in said.out + said.err) == (status, True), f"{line}\n{said.out}{said.err}"
            ran += 1
            if "--parts" in line:
                whatever_was_cut(field)
            if "--out out-3" in line:
                assert (
                    "layout.revision 1 needs bootloader 2.0.0: it is not for devices of class vent-drive-2" in said.err
                )
            if "paths" in line:
                assert "left behind: devices of 2.4.1, 2.4.2, 2.4.3\n" in said.out
    assert (refused, ran) == (set(REFUSED), len(re.findall(r"^imgseal ", PAGE, re.MULTILINE)))
