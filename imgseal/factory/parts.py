"""The factory image in parts, for devices in the field whose own updater asks for no signature."""

import posixpath
from collections.abc import Mapping
from typing import Any

from imgseal.factory.merge import Part
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.workspace.staging import Output

PURPOSES: Mapping[str, str] = {
    "anchors": "whom the device trusts; written before anything asks for it, and read back",
    "record": "which images start, and the sequence; written behind the anchors, and read back",
    "bridge": "bootloader, sealed images and configuration; what starts first, the bootloader, is written last of all",
}
"""What each share is for, in the order in which a device gets them: nothing starts that what is missing would stop."""

_HOLDING = {"anchors": "anchors", "records": "record"}


class Share(NamedTuple):
    """Ranges of the factory image that go to a device together: a key of PURPOSES, and the ranges as they are written.

    The bootloader comes last, and of it what it starts at: until then a device starts what it started before.
    """

    name: str
    ranges: tuple[Part, ...]


def shares(parts: list[Part], product: Product) -> list[Share]:
    """Return the shares that have something in them; each range of the factory image is in one of them."""
    of: dict[str, list[Part]] = {name: [] for name in PURPOSES}
    bootloader: list[Part] = []
    for part in sorted(parts, key=lambda part: part.address):
        holds = None if part.slot is None else product.slots[part.slot].holds
        (bootloader if holds == "bootloader" else of[_HOLDING.get(holds or "", "bridge")]).append(part)
    of["bridge"] += reversed(bootloader)
    return [Share(name, tuple(ranges)) for name, ranges in of.items() if ranges]


def outputs(folder: str, made: list[Share]) -> list[Output]:
    """Return an Intel HEX by address for each share, and a flat binary for each range, named by its address."""
    out = []
    for share in made:
        hex_lines = write_intel_hex(sorted((part.address, part.data) for part in share.ranges))
        out.append(Output(posixpath.join(folder, _hex(share)), hex_lines))
        out += [Output(posixpath.join(folder, _binary(part)), [part.data]) for part in share.ranges]
    return out


def index(made: list[Share]) -> list[dict[str, Any]]:
    """Return what factory.json says of them: the order to write them in, what for, and the files."""
    return [
        {
            "part": share.name,
            "for": PURPOSES[share.name],
            "hex": _hex(share),
            "ranges": [
                {"address": part.address, "size": len(part.data), "sha256": part.sha256, "file": _binary(part)}
                for part in share.ranges
            ],
        }
        for share in made
    ]


def _hex(share: Share) -> str:
    return f"parts/{share.name}.hex"


def _binary(part: Part) -> str:
    return f"parts/{part.address:08x}-{part.slot or 'configuration'}.bin"
