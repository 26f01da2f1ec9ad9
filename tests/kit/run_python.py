"""Judges a case with the Python API, and sets up what the command line needs for it."""

import hashlib
import json
from pathlib import Path
from typing import Any

from workshop import trust_of

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import fresh
from imgseal.device_state.device import read as read_state
from imgseal.findings import Verdict
from imgseal.formats.trust_anchors.codec import decode_update
from imgseal.keys.anchor_set import trust_of as trust_of_set
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.window import ByteView

OUTSIDE = ("kit-outside", "kit-outside-accepted")


def product_of(name: str, text: str) -> Product:
    """Read a product; of some the internal memory counts as untrusted, which its own file could not say."""
    of = read(text, name=f"{name}.toml")
    if name not in OUTSIDE:
        return of
    memories = {n: m._replace(trusted=False) for n, m in of.memories.items()}
    return of._replace(memories=memories)


def verdict_of(
    of: Product, artefact: bytes, *, payload: bytes | None, slot: str | None, device: dict[str, Any] | None, held: dict[str, bytes],
    development: bool, day: str | None = None, anchors: bytes | None = None,
) -> Verdict:  # fmt: skip
    context = context_of(of, device=device, held=held, development=development, day=day, anchors=anchors, slot=slot)
    return judge(ByteView(artefact), "artefact", context, payload=None if payload is None else ByteView(payload))


def context_of(
    of: Product, *, device: dict[str, Any] | None, held: dict[str, bytes], development: bool, day: str | None = None,
    anchors: bytes | None = None, slot: str | None = None,
) -> Context:  # fmt: skip
    """Everything that a verdict depends on beside the artefact."""
    state = fresh(of) if device is None else read_state(json.dumps(device), name="device")
    trust, held_set = trust_of(of), None
    if anchors is not None:
        held_set = decode_update(anchors).anchors
        trust = trust_of_set(held_set, of, trust)
    contents = {n: ByteView(d) for n, d in held.items()}
    return Context(of, trust, state, contents, development=development, day=day, anchors=held_set, slot=slot)


def slots_of(held: dict[str, bytes], folder: Path) -> dict[str, dict[str, str]]:
    """Write slot contents for a state file beside them."""
    out = {}
    for name, data in held.items():
        (folder / f"{name}.bin").write_bytes(data)
        out[name] = {"file": f"{name}.bin", "sha256": hashlib.sha256(data).hexdigest()}
    return out
