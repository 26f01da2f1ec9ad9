"""The products that every subset of components is made of: the demo's, the nine small ones, and one with eight components.

Each as it stands, with two signers where one is enough, with ML-DSA-44 beside P-256, and with something that can hurt or without.
"""

import functools
import re
from typing import NamedTuple

from stages import PRODUCTS, text_of
from workshop import two_algorithms

from imgseal.demo.firmware import code, phrases
from imgseal.flow.release import FirmwareFile
from imgseal.formats.memory.image import MemoryImage
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.product.starter import product_text

__all__ = ["DEMO", "EIGHT", "NAMES", "NEWER", "Variant", "firmware", "product", "signers", "text_of_name"]

DEMO, EIGHT = "demo", "eight components"
NAMES = (DEMO, *PRODUCTS, EIGHT)
NEWER = {"release.version": "3.0.0", "release.sequence": "40"}
"""The update's overrides; counters rise by one beside."""

_LARGER = 4  # times what the small products have, so that a header block holds an ML-DSA-44 signature


class Variant(NamedTuple):
    """A product of `NAMES`; with two signers, a second algorithm, a hazard."""

    name: str
    several: bool
    second: bool
    hazard: bool


def _slots(lines: str) -> str:
    out = []
    for line in lines.strip().splitlines():
        name, memory, at, size, *holds = line.split()
        out.append(f'[slot.{name}]\nmemory = "{memory}"\nat = {at}\nsize = {size}\n')
        out += [f'holds = "{word}"\n' for word in holds]
    return "".join(out)


_EIGHT = _slots("""
pilot-a internal 0x4000 2048
pilot-b internal 0x4800 2048
bus internal 0x5000 2048
bus-keep internal 0x5800 2048
lamp internal 0x6000 2048
sense-a internal 0x6800 2048
sense-b internal 0x7000 2048
sense-head-a internal 0x7800 2048
sense-head-b internal 0x8000 2048
heat internal 0x8800 2048
heat-head internal 0x9000 2048
heat-keep internal 0x9800 4096
rescue internal 0xA800 2048 recovery
table internal 0xB000 2048
bus-staging nor 0x0 4096
lamp-staging nor 0x1000 4096
heat-staging nor 0x2000 4096
tones nor 0x3000 4096
""") + "".join(
    f"[component.{name}]\nnumber = {number}\nheader_block = 512\ncounter = 3\ncounter_steps = 9\n{rest}\n"
    for number, (name, rest) in enumerate(
        {
            "pilot": 'core = "cortex-m4"\nvectors = 16\nrun = ["pilot-a", "pilot-b"]\nneeds = { bus = ">=1.0.0" }',
            "bus": 'core = "cortex-m0plus"\nvectors = 16\nrun = ["bus"]\nstaging = "bus-staging"\nkeep = "bus-keep"\n'
            'needs = { bootloader = ">=1.0.0" }',
            "lamp": 'core = "cortex-m0plus"\nvectors = 16\nrun = ["lamp"]\nstaging = "lamp-staging"\nway_back = "none"',
            "tones": 'kind = "data"\nrun = ["tones"]\njudged = "install"\nway_back = "none"',
            "sense": 'core = "cortex-m0"\nvectors = 16\nrun = ["sense-a", "sense-b"]\n'
            'header = ["sense-head-a", "sense-head-b"]\nneeds = { tones = ">=1.0.0, <9.0.0" }',
            "heat": 'core = "cortex-m0"\nvectors = 16\nrun = ["heat"]\nheader = ["heat-head"]\nstaging = "heat-staging"\n'
            'keep = "heat-keep"',
            "rescue": 'core = "cortex-m4"\nvectors = 16\nrun = ["rescue"]\nway_back = "none"',
            "table": 'kind = "data"\nrun = ["table"]\nway_back = "none"\nneeds = { heat = ">=1.0.0" }',
        }.items(),
        1,
    )
)  # fmt: skip


def text_of_name(name: str) -> str:
    """The product file of one of NAMES, as it stands."""
    if name == DEMO:
        return product_text()
    if name in PRODUCTS:
        return text_of(name)
    head = text_of("two run slots").split("[slot.app-a]")[0].replace("small-1", "eight-1")
    return head.replace('"6 KiB"', '"12 KiB"') + _EIGHT + _REST


_REST = """
[trust.development]
images = ["keys-dev/images.pub.pem"]
packages = ["keys-dev/packages.pub.pem"]

[rules]
minimum_battery = 300
"""


def _enlarged(text: str) -> str:
    """Every place and size of a small product's flash times four."""
    text = re.sub(r"^at = (\S+)", lambda m: f"at = {int(m[1], 0) * _LARGER}", text, flags=re.MULTILINE)
    text = re.sub(r"^(size|page) = (\d+)$", lambda m: f"{m[1]} = {int(m[2]) * _LARGER}", text, flags=re.MULTILINE)
    text = re.sub(r'"(\d+) KiB"', lambda m: f'"{int(m[1]) * _LARGER} KiB"', text)
    text = text.replace("header_block = 512", "header_block = 3072")
    text = re.sub(r'= \["(keys-dev/\w+)\.pub\.pem"\]', r'= ["\1.pub.pem", "\1-pq.pub.pem"]', text)
    if "[rules]\n" not in text:
        text += "\n[rules]\n"
    return text.replace("[rules]\n", '[rules]\nalgorithms = ["ESP256", "ML-DSA-44"]\n')


def _trusting(text: str, role: str, keys: tuple[str, ...], need: int) -> str:
    shown = ", ".join(f'"{key}.pub.pem"' for key in keys)
    return re.sub(rf"(\[trust\.{role}\]\nkeys = )\[.*\]", rf"\1[{shown}]\nneed = {need}", text)


def signers(variant: Variant, role: str) -> tuple[str, ...]:
    """The names of the keys that have to sign.

    A sealed image has room for three signatures: two algorithms and two signers are too many for it.
    """
    names = [f"keys/{role}", *([f"keys/second-{role}"] if _several(variant, role) else [])]
    return tuple(name + end for end in (("", "-pq") if variant.second else ("",)) for name in names)


def _several(variant: Variant, role: str) -> bool:
    return variant.several and not (role == "images" and variant.second)


@functools.cache
def product(variant: Variant, *, update: bool) -> Product:
    text = text_of_name(variant.name)
    if variant.second:
        text = two_algorithms(text) if variant.name == DEMO else _enlarged(text)
    for role in ("images", "packages"):
        text = _trusting(text, role, signers(variant, role), 2 if _several(variant, role) else 1)
    if variant.name == EIGHT:
        text = text.replace(
            "[trust.packages]\nkeys = [",
            '[trust.packages]\nkeys = [{ key = "keys/other-packages.pub.pem", classes = ["other"] }, ',
        )
    text = re.sub(r"^hazard = .*\n", "", text, flags=re.MULTILINE)
    if variant.hazard:
        text = re.sub(
            r"^(\[component\..*\]\nnumber = .*\n)", '\\1hazard = "It moves."\n', text, count=1, flags=re.MULTILINE
        )
    overrides = {"release.version": "2.0.0", "release.sequence": "20"}
    if update:
        counters = re.findall(r"\[component\.(\w+)\].*?\ncounter = (\d+)", text, flags=re.DOTALL)
        text = text.replace('{ bus = ">=1.0.0" }', '{ bus = ">=3.0.0" }')
        overrides = {**NEWER, **{f"component.{name}.counter": str(int(count) + 1) for name, count in counters}}
    return read(text, name="imgseal.toml", overrides=overrides)


def firmware(of: Product, mark: str) -> list[FirmwareFile]:
    """Firmware for each run slot; `mark` makes it another one."""
    out = []
    for component in of.components.values():
        for slot in component.run:
            link = of.slot_base(slot) + (0 if component.header else component.header_block)
            if component.kind == "code":
                data = code(
                    f"{component.name} {mark}", link=link, size=601, vectors=component.vectors, stack=0x2000_4000
                )
            else:
                data = phrases(f"{component.name} {mark}", 700)
            out.append(FirmwareFile(component.name, f"{slot}.bin", MemoryImage.from_bytes(link, data)))
    return out
