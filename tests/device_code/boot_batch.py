"""A device whose update was delivered, for boot_main.c, and what the simulation makes of it."""

import struct
from pathlib import Path
from typing import NamedTuple

from c_boot import CODE, WHAT
from c_build import HERE, SOURCES, STRICT, bearssl, run, write_config
from stages import Pair

from imgseal.product.model import Memory, Product
from imgseal.rehearse.boot import SET, Bootloader
from imgseal.rehearse.counters import Counters, numbers_stored
from imgseal.rehearse.device import Device, Judgements
from imgseal.rehearse.flash import Flash
from imgseal.rehearse.install import DELIVERED, Installer
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.noise import Noise

RESETS = ((False, True), (True, False), (False, False))
"""Of power-on or not, and whether the set then reports itself healthy: a trial that settles, and what follows."""
FAILING = ((False, False), (True, False), (False, False), (False, False), (False, False))


class Outcome(NamedTuple):
    """What a machine printed, and the flash behind it."""

    lines: list[str]
    flash: bytes


def memories(of: Product) -> list[Memory]:
    return [memory for memory in of.memories.values() if memory.kind == "flash"]


def dump(of: Product, flash: Flash) -> bytes:
    return b"".join(flash.read(memory.name, 0, memory.size) for memory in memories(of))


def delivered(update: Pair) -> tuple[Device, bytes]:
    """The simulated device behind an installation, and the batch that says the same."""
    of, moment, facts = update.product, update.stage.moment, update.stage.facts
    noise = Noise("batch")
    flash = Flash(of, dict(moment.blocks), noise)
    counters = Counters(moment.counters, moment.loose, noise, numbers_stored(of))
    device = Device(facts, flash, counters, update.package, Judgements())
    journal = Journal(flash, of)
    assert Bootloader(device, journal).boot(power_on=True).what == SET
    assert Installer(device, journal).install() == DELIVERED
    device.source = None  # the package is lost
    words = facts.state.bootloader.words() if facts.state.bootloader else (0, 0, 0, 0)
    out = struct.pack("<I4I", facts.state.hardware or 0, *words) + struct.pack("<I", len(memories(of)))
    for memory in memories(of):
        out += struct.pack(
            "<6I", memory.base, memory.size, memory.erase_block, memory.page, memory.write_unit, memory.fill
        )
        out += flash.read(memory.name, 0, memory.size)
    known = {number: value for number, value in counters.firm.items() if value}
    out += struct.pack("<I", len(known)) + b"".join(struct.pack("<2I", *pair) for pair in known.items())
    return device, out


def simulated(device: Device, resets: tuple[tuple[bool, bool], ...]) -> Outcome:
    of, lines, accepted = device.product, [], f"{CODE['accepted']:08x}"
    number_of = {what: number for number, what in WHAT.items()}
    for power_on, healthy in resets:
        journal = Journal(device.flash, of)
        started = Bootloader(device, journal).boot(power_on=power_on)
        line = f"{accepted} {number_of[started.what]:02x} {int(started.trial)}"
        if started.what == SET:
            line += "".join(f" {started.members[n].slot if n in started.members else 255}" for n in of.numbers)
        if healthy:
            Installer(device, journal).report_healthy()
            line += f" {accepted}"
        lines.append(line)
    counted = sorted(device.counters.firm.items())
    return Outcome([*lines, *(f"{number}={value}" for number, value in counted if value)], dump(of, device.flash))


def booted(
    batch: bytes, resets: tuple[tuple[bool, bool], ...], of: Product, folder: Path, compiler: str, flags: tuple[str, ...],
    crypto: Path, *command: str,
) -> Outcome:  # fmt: skip
    """Build the program, and run it."""
    write_config(of, folder, development=False)
    includes = (f"-I{folder}", f"-I{SOURCES}")
    for name in ("seal_image", "seal_boot"):
        run([compiler, *STRICT, *flags, *includes, "-c", SOURCES / f"{name}.c", "-o", folder / f"{name}.o"])
    objects = (folder / "seal_image.o", folder / "seal_boot.o")
    sources = (SOURCES / "seal_bearssl.c", HERE / "boot_main.c")
    program = folder / "boot_main"
    run([compiler, "-std=c99", *flags, *includes, f"-I{bearssl() / 'inc'}", *objects, *sources, crypto, "-o", program])
    steps = struct.pack("<I", len(resets)) + b"".join(struct.pack("<2I", *map(int, step)) for step in resets)
    (folder / "batch.bin").write_bytes(batch + steps)
    said = run([*command, program, folder / "batch.bin", folder / "after.bin"])
    return Outcome(said.splitlines(), (folder / "after.bin").read_bytes())
