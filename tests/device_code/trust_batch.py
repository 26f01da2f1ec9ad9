"""Kit cases of trust anchor updates for the C code: the held set, what runs where, what slots hold. trust_main.c reads the same order."""

import functools
import json
import struct
from typing import Any

from batch import DATA, is_image, product
from kit_base import text_of
from run_python import product_of
from workshop import trust_of

from imgseal.formats.trust_anchors.codec import decode_update, encode_set
from imgseal.keys.anchor_set import anchor_set

NOTHING = 0xFF


def load() -> list[dict[str, Any]]:
    """Every update, and every image that is judged under a set that the device took later; deliveries have a runner."""
    cases: list[dict[str, Any]] = json.loads((DATA / "kit.json").read_text())["cases"]
    return [case for case in cases if case["name"].startswith("anchors-") or ("anchors" in case and is_image(case))]


def is_update(case: dict[str, Any]) -> bool:
    return str(case["name"]).startswith("anchors-")


@functools.cache
def factory(name: str) -> bytes:
    of = product_of(name, text_of(name))
    return encode_set(anchor_set(trust_of(of), of))


def held_set(case: dict[str, Any]) -> bytes:
    if "anchors" not in case:
        return factory(case["product"])
    return encode_set(decode_update((DATA / case["anchors"]).read_bytes()).anchors)


def runs(of: dict[str, Any], device: dict[str, Any] | None) -> tuple[bytes, bool]:
    """Return the run slot of each component, by index, and whether no release is in trial."""
    current = (device or {}).get("current", {})
    slots = [current.get(str(component["number"]), {}).get("slot", NOTHING) for component in of["components"]]
    return bytes(slots), (device or {}).get("trial") is None


def regions(of: dict[str, Any], held: dict[str, bytes]) -> list[tuple[int, bytes]]:
    return [(of["slots"][name]["base"], data) for name, data in held.items()]


def pack_case(case: dict[str, Any]) -> bytes:
    of = product(case["product"])
    slots, settled = runs(of, case.get("device"))
    content = {slot: (DATA / path).read_bytes() for slot, path in case.get("held", {}).items()}
    held = held_set(case)
    out = bytes([not is_update(case), settled]) + struct.pack("<HH", *of["hardware"]) + bytes([len(slots)]) + slots
    out += struct.pack("<I", len(held)) + held
    parts = regions(of, content)
    out += bytes([len(parts)])
    for base, data in (*parts, (0, (DATA / case["artefact"]).read_bytes())):
        out += struct.pack("<II", base, len(data)) + data
    return out
