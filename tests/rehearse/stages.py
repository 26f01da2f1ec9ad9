"""Small products, one for each way of installing, and devices that run a first release of them.

As small as the rules allow, so that every pair of cuts can be tried: one erase block a slot, one page an erase block.
`python tests/rehearse/stages.py` prints what is tried for each.
"""

import functools
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from typing import NamedTuple

from workshop import Workshop, make

from imgseal.check.context import Context
from imgseal.demo.firmware import code, phrases
from imgseal.device_state.device import DeviceState, fresh
from imgseal.flow.release import FirmwareFile
from imgseal.formats.memory.image import MemoryImage
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.rehearse.apply import apply
from imgseal.rehearse.life import Stage
from imgseal.rehearse.play import Rehearsal, rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

_HEAD = """
format = 1
[product]
name = "small"
vendor = "quillmoor.example"
class = "small-1"
hardware = 1
[release]
version = "1.0.0"
sequence = 5
[memory.internal]
base = 0x0000_0000
size = "64 KiB"
erase_block = "2 KiB"
write_unit = 8
program_once = true
page = 2048
[memory.nor]
base = 0x6000_0000
size = "64 KiB"
erase_block = "4 KiB"
page = 4096
trusted = false
[memory.ram]
base = 0x2000_0000
size = "16 KiB"
kind = "ram"
[bootloader]
version = "1.0.0"
[trust.images]
keys = ["keys/images.pub.pem"]
[trust.packages]
keys = ["keys/packages.pub.pem"]
[slot.bootloader]
memory = "internal"
at = 0
size = "4 KiB"
holds = "bootloader"
[slot.records]
memory = "internal"
at = 0x1000
size = "6 KiB"
holds = "records"
"""


def slot_text(name: str, at: int, size: int = 2048, memory: str = "internal", holds: str | None = None) -> str:
    text = f'[slot.{name}]\nmemory = "{memory}"\nat = 0x{at:x}\nsize = {size}\n'
    return text + (f'holds = "{holds}"\n' if holds else "")


def component_text(name: str, number: int, rest: str, core: str | None = "cortex-m4") -> str:
    kind = f'core = "{core}"\nvectors = 16\n' if core else 'kind = "data"\n'
    return f"[component.{name}]\nnumber = {number}\n{kind}header_block = 512\ncounter = 3\ncounter_steps = 9\n{rest}\n"


_TWO = slot_text("app-a", 0x3000) + slot_text("app-b", 0x3800) + component_text("app", 1, 'run = ["app-a", "app-b"]')
_RADIO = slot_text("radio", 0x4000)
_KEEP = slot_text("radio-keep", 0x4800)
_INSIDE = slot_text("radio-staging", 0x5000)
_OUTSIDE = slot_text("radio-staging", 0x0, 4096, "nor")
_STAGED = 'run = ["radio"]\nstaging = "radio-staging"\n'
_KEPT = _STAGED + 'keep = "radio-keep"\n'
_DATA = slot_text("phrases", 0x1000, 4096, "nor")
_M0 = "cortex-m0plus"

PRODUCTS = {
    "two run slots": _TWO,
    "staged inside, kept": _RADIO + _KEEP + _INSIDE + component_text("radio", 2, _KEPT, _M0),
    "staged outside, kept": _RADIO + _KEEP + _OUTSIDE + component_text("radio", 2, _KEPT, _M0),
    "staged, no way back": _RADIO + _OUTSIDE + component_text("radio", 2, _STAGED + 'way_back = "none"', _M0),
    "two cores": _TWO
    + 'needs = { radio = ">=1.0.0" }\n'
    + _RADIO
    + _KEEP
    + _OUTSIDE
    + component_text("radio", 2, _KEPT, _M0).replace("counter_steps = 9", 'counter_storage = "value"'),
    "data in the NOR": _TWO
    + _DATA
    + component_text("phrases", 3, 'run = ["phrases"]\njudged = "install"\nway_back = "none"', None),
    "recovery image": _TWO
    + slot_text("recovery", 0x5800, holds="recovery")
    + component_text("rescue", 4, 'run = ["recovery"]\nway_back = "none"'),
    "detached, two run slots": slot_text("app-a", 0x3000)
    + slot_text("app-b", 0x3800)
    + slot_text("head-a", 0x6000)
    + slot_text("head-b", 0x6800)
    + component_text("app", 1, 'run = ["app-a", "app-b"]\nheader = ["head-a", "head-b"]', "cortex-m0"),
    "detached, staged and kept": _RADIO
    + slot_text("head", 0x6000)
    + slot_text("radio-keep", 0x7000, 4096)
    + slot_text("radio-staging", 0x0, 4096, "nor")
    + component_text("radio", 2, _KEPT + 'header = ["head"]', "cortex-m0"),
}
"""Way of installing -> what its product file says beside memories, bootloader and records."""

_MARK = slot_text("mark", 0x8000, holds="boot-mark") + 'write_protected = "until-reset"\n[rules]\nat_boot = "digest"\n'
MARKED = {f"{name}, at boot by digest": _MARK + text for name, text in PRODUCTS.items()}
"""The same, on devices that verify the signatures of a set once."""

BRIEF = {
    f"{name}, three starts": text.replace("at_boot =", "trial_power_ons = 3\nat_boot =")
    for name, text in MARKED.items()
}
"""The same with three starts a trial: each more makes as many states again."""

WAITING = {
    f"{name}, a delivery waits": slot_text("waits", 0x8000, 8192, "nor") + text + '[delivery]\nslot = "waits"\n'
    for name, text in PRODUCTS.items()
}  # fmt: skip
"""The same, with a slot in which a delivery waits while it is installed."""


def text_of(name: str) -> str:
    return _HEAD + (PRODUCTS | MARKED | BRIEF | WAITING)[name]


def small(name: str, **overrides: str) -> Product:
    """The product of that name; overrides such as release.version, with dots as two underscores."""
    return read(text_of(name), name="imgseal.toml", overrides={k.replace("__", "."): v for k, v in overrides.items()})


def files(of: Product, mark: str, only: tuple[str, ...] = ()) -> list[FirmwareFile]:
    """Firmware for each component; `mark` makes it another one."""
    out = []
    for component in of.components.values():
        for slot in component.run if not only or component.name in only else ():
            link = of.slot_base(slot) + (0 if component.header else component.header_block)
            if component.kind == "code":
                data = code(f"{component.name} {mark}", link=link, size=601, vectors=16, stack=0x2000_4000)
            else:
                data = phrases(f"{component.name} {mark}", 700)
            out.append(FirmwareFile(component.name, f"{slot}.bin", MemoryImage.from_bytes(link, data)))
    return out


class Pair(NamedTuple):
    """A device that runs the first release, and a package with the second."""

    product: Product
    first: Workshop
    second: Workshop
    state: DeviceState
    contents: dict[str, ByteView]
    package: ByteView
    stage: Stage


NEWER = {"release__version": "1.1.0", "release__sequence": "6"}


def newer(of: Product) -> dict[str, str]:
    """Overrides of the second release: counters one higher, and far higher where the storage holds a number."""
    counters = {"steps": "4", "value": "20250101"}
    return {
        **NEWER,
        **{f"component__{name}__counter": counters[c.counter_storage] for name, c in of.components.items()},
    }


def pair(name: str) -> Pair:
    """The update of a small product: everything changes, counters rise."""
    return pair_of(text_of(name))


def on_units(name: str, unit: int) -> str:
    """The product with write units of that size in the internal memory, and room for records in them."""
    text = text_of(name).replace("write_unit = 8", f"write_unit = {unit}")
    text = text.replace('size = "64 KiB"\nerase_block = "2 KiB"', 'size = "128 KiB"\nerase_block = "2 KiB"')
    return text.replace('at = 0x1000\nsize = "6 KiB"', 'at = 0x1_0000\nsize = "24 KiB"')


ERASED = ("0x00", '"unreadable"')
"""What flash reads as where it is erased, beside 0xFF."""


def erased_as(name: str, internal: str, nor: str) -> str:
    """The product with memories that read so where they are erased."""
    text = text_of(name).replace("write_unit = 8", f"write_unit = 8\nerased = {internal}")
    return text.replace('erase_block = "4 KiB"', f'erase_block = "4 KiB"\nerased = {nor}')


@functools.cache
def pair_of(text: str) -> Pair:
    """The same of any product file."""
    of = read(text, name="imgseal.toml")
    overrides = {key.replace("__", "."): value for key, value in newer(of).items()}
    later = read(text, name="imgseal.toml", overrides=overrides)
    first, second = make(of, files=files(of, "one")), make(later, files=files(of, "two"))
    state, contents = installed(of, first)
    package = ByteView(second.package)
    stage = set_up(Context(of, first.trust, state, contents), package)
    assert stage.verdict.accepted, stage.verdict.findings
    return Pair(of, first, second, state, contents, package, stage)


def installed(of: Product, shop: Workshop) -> tuple[DeviceState, dict[str, ByteView]]:
    """A device from the production line with this package installed and settled."""
    blank = fresh(of)._replace(fresh=False, hardware=of.hardware[0])
    applied = apply(Context(of, shop.trust, blank, {}), ByteView(shop.package))
    assert applied.verdict.accepted, applied.verdict.findings
    return applied.state, {name: ByteView(content) for name, content in applied.slots.items()}


def main() -> None:
    singles = pairs = 0
    for name in PRODUCTS:
        started = time.perf_counter()
        played: Rehearsal = rehearse(pair(name).stage, pair(name).package, pairs=None, seed="1")
        tally = played.tally
        assert played.violation is None, played.violation
        operations = " and ".join(map(str, tally.operations.values()))
        print(
            f"{name:<26}{operations} operations, {tally.singles} lives after one cut, {tally.pairs} after two: "
            f"all invariants hold ({time.perf_counter() - started:.1f} s)"
        )
        singles, pairs = singles + tally.singles, pairs + tally.pairs
    print(f"{len(PRODUCTS)} ways of installing: {singles} lives after one cut, {pairs} after two")


if __name__ == "__main__":
    main()
