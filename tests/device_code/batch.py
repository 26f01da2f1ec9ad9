"""Packs kit cases for the C runner: what a device would know, and the artefact. kit_main.c reads the same order."""

import hashlib
import json
import struct
from pathlib import Path
from typing import Any

from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.versions import Version

DATA = Path(__file__).parents[1] / "kit" / "data"
NOTHING = 0xFFFF_FFFF
FILE, RUN_SLOT, WAITING_SLOT = 0x3A, 0x59, 0x66
"""enum seal_where."""


def load(*, sets: bool = False) -> list[dict[str, Any]]:
    """Every case that needs no clock and no trust anchors but those of the factory; with `sets` others as well.

    Those that say `algorithms` need a function that verifies ML-DSA-44. A product whose devices have another verifier
    has no exported code.
    """
    cases: list[dict[str, Any]] = json.loads((DATA / "kit.json").read_text())["cases"]
    return [
        case
        for case in cases
        if not ({"day"} if sets else {"day", "anchors"}) & set(case)
        and not case["name"].startswith("anchors-")
        and product(case["product"])["verifier"] is None
    ]


def product(name: str) -> dict[str, Any]:
    values: dict[str, Any] = json.loads((DATA / "products" / f"{name}.json").read_text())
    return values


def is_image(case: dict[str, Any]) -> bool:
    """Whether a case is one for the checker of sealed images: no package, and no delivery of one."""
    return not str(case["name"]).startswith(("package-", "delivery-"))


def is_package(case: dict[str, Any]) -> bool:
    """Whether a case is one for the reader of packages."""
    return str(case["name"]).startswith("package-")


def place_of(of: dict[str, Any], slot: str | None) -> tuple[int, int, int]:
    """Return where, component index and run slot of a dump."""
    if slot is None:
        return FILE, 0, 0
    for index, component in enumerate(of["components"]):
        if slot in component["run"]:
            return RUN_SLOT, index, component["run"].index(slot)
        if slot in component["header"]:
            return RUN_SLOT, index, component["header"].index(slot)
        if slot in component["waiting"]:
            return WAITING_SLOT, index, 0
    raise ValueError(slot)


def versions(of: dict[str, Any], device: dict[str, Any] | None, held: dict[str, bytes]) -> dict[int, Version]:
    """What runs beside it: the bootloader, and what the headers of the current run slots say."""
    bootloader = of["bootloader"] if device is None else device.get("bootloader")
    out = {0: Version.parse(bootloader)} if bootloader else {}
    for component in of["components"]:
        current = (device or {}).get("current", {}).get(str(component["number"]))
        if current is None:
            continue
        name = (component["header"] or component["run"])[current["slot"]]
        try:
            statement = decode_header_block(held.get(name, b"")).statement
        except SealedFormatError:
            continue
        if statement.component == component["number"]:
            out[component["number"]] = statement.version
    return out


def counters(of: dict[str, Any], device: dict[str, Any] | None, held: dict[str, bytes]) -> dict[int, int]:
    """The device's counters; where its storage has not taken them, as an installer finds them in the headers of what runs."""
    state = device or {}
    out = {int(number): value for number, value in state.get("counters", {}).items()}
    if not state.get("unraised") or state.get("trial"):
        return out
    for component in of["components"]:
        current = state.get("current", {}).get(str(component["number"]))
        if current is None:
            continue
        header = held.get((component["header"] or component["run"])[current["slot"]], b"")
        try:
            statement = decode_header_block(header).statement
        except SealedFormatError:
            continue
        its_own = current.get("statement") in (None, hashlib.sha256(header[:STATEMENT_BYTES]).hexdigest())
        if statement.component == component["number"] and its_own:
            out[statement.component] = max(out.get(statement.component, 0), statement.counter)
    return out


def pack(
    of: dict[str, Any], image: bytes, payload: bytes | None, slot: str | None, device: dict[str, Any] | None,
    held: dict[str, bytes], *, development: bool, header_only: bool = False,
) -> bytes:  # fmt: skip
    revision = (device or {}).get("hardware")
    hardware = of["hardware"] if revision is None else [revision, revision]
    out = struct.pack("<II", len(image), NOTHING if payload is None else len(payload))
    out += (
        bytes([*place_of(of, slot), header_only, development])
        + struct.pack("<HH", *hardware)
        + bytes([device is not None])
    )
    known = versions(of, device, held)
    out += bytes([len(known)]) + b"".join(struct.pack("<B4I", n, *v.words()) for n, v in known.items())
    revoked = [bytes.fromhex(key) for key in (device or {}).get("revoked", [])]
    out += bytes([len(revoked)]) + b"".join(revoked)
    least = counters(of, device, held)
    out += bytes([len(least)]) + b"".join(struct.pack("<BI", number, value) for number, value in least.items())
    return out + image + (payload or b"")


def pack_case(case: dict[str, Any], *, header_only: bool = False) -> bytes:

    def read(path: str) -> bytes:
        return (DATA / path).read_bytes()

    held = {slot: read(path) for slot, path in case.get("held", {}).items()}
    payload = read(case["payload"]) if "payload" in case else None
    return pack(
        product(case["product"]), read(case["artefact"]), payload, case.get("slot"), case.get("device"), held,
        development=case.get("development", False), header_only=header_only,
    )  # fmt: skip
