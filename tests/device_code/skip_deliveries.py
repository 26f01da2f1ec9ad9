"""Deliveries that a device must not install, one fault a case; behind the reset what runs has to be what ran."""

import functools
import hashlib
from collections.abc import Callable
from unittest.mock import patch

from forced import forced
from skip_cases import (
    APP,
    BOOTS,
    HEADER,
    OTHER,
    RADIO,
    Case,
    firmware,
    flip,
    key,
    member,
    of,
    records,
    shop,
    slot,
    trust,
)
from skip_more_cases import before
from spoilt import around, inside, said, stepped
from spoilt import of as manifest_of
from workshop import make, repacked, signer

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.flow.contents import read_contents
from imgseal.flow.deliver import Device, delivery
from imgseal.flow.release import FirmwareFile
from imgseal.formats.cbor.strict import encode
from imgseal.formats.install_record.record import SETTLED
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.suit.delivery import Base, Step
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.make.delta.encode import encode as patch_of
from imgseal.window import ByteView

KEY = "keys/packages"
Edit = Callable[[Step], Step]


def resigned(data: bytes) -> bytes:
    """Signed by a key that this product has: the helpers sign with one for deliveries."""
    return repacked(data, by=(KEY,))


@functools.cache
def delivered(kind: str = "patch") -> bytes:
    """The release for a device that runs the one before from the first slot, and has the radio already."""
    product, raw = of(), shop().package
    state = fresh(product)._replace(
        fresh=False, hardware=1, sequence=4, counters={1: 3, 2: 3},
        current={1: member(0, before()["app-a"]), 2: member(0, shop().images["radio"])},
    )  # fmt: skip
    lies = {"app-a": ByteView(before()["app-a"]), "radio": ByteView(shop().images["radio"])}
    device = Device("unit", Context(product, trust(), state, lies))
    with patch("imgseal.flow.deliver.smallest", functools.partial(forced, kind)):
        return delivery(ByteView(raw), read_contents(raw, "release", product), [device], product, signer(KEY)).data


@functools.cache
def another() -> bytes:
    """An image for the free slot that the author has sealed, of a release that is not the one inside."""
    image = MemoryImage.from_bytes(OTHER + HEADER, firmware("app of another release", OTHER))
    return bytes(make(of(), files=[FirmwareFile("app", "app-b.bin", image)]).images["app-b"])


def deliveries() -> list[Case]:
    """A release runs, and a delivery lies there; behind the reset the boot choice goes on with what came of it."""
    good, plain = delivered(), delivered("plain")
    step = manifest_of(good).steps[0]
    assert step.base is not None
    new = decode_envelope(shop().package).payloads["#app-b"]

    def on(name: str, data: bytes, *, starts: int = APP, **changes: object) -> Case:
        radio = shop().images["radio"]
        device = {name: changes.pop(name) for name in ("revoked",) if name in changes}
        record = {
            "phase": SETTLED, "current": {1: member(0, before()["app-a"]), 2: member(0, radio)}, "sequence": 4, **changes,
        }  # fmt: skip
        flash = (slot(APP, before()["app-a"]), slot(RADIO, radio), records(**record))
        return Case(name, "skip_delivery", flash, (starts,), data, boots=BOOTS, walked=1, **device)  # type: ignore[arg-type]

    base: Edit = lambda each: each._replace(base=Base(step.base.size, bytes(32)))  # type: ignore[union-attr] # noqa: E731
    same: Edit = lambda each: each  # noqa: E731
    wrong = patch_of(before()["app-a"], flip(bytes(new), 600), None).data
    digest = hashlib.sha256(encode(decode_envelope(shop().package).manifest)).digest()
    forged = repacked(shop().package, by=("keys/foreign",))
    older = ("keys/older-packages",)
    return [
        on("good", good, starts=OTHER),
        on("good, plain", plain, starts=OTHER),
        on("by nobody", repacked(good, by=())),
        on("by a stranger", repacked(good, by=("keys/foreign",))),
        on("wrong signature", flip(good, good.index(b"\xd2\x84") + 32)),
        on("revoked key", repacked(good, by=older), revoked=(key(older[0]),)),
        on("another class", resigned(said(good, class_id=bytes(16)))),
        on("another sequence", resigned(said(good, sequence=6))),
        on("another release named", resigned(said(good, release=bytes(32)))),
        on("release by a stranger", resigned(around(good, forged))),
        on("release by a stranger, not named", resigned(inside(good, forged))),
        on("wrong base", resigned(stepped(good, base))),
        on("wrong patch", repacked(good, by=(KEY,), payloads=lambda it: {**it, "#00": flip(it["#00"], 30)})),
        on("wrong plain image", repacked(plain, by=(KEY,), payloads=lambda it: {**it, "#00": another()})),
        on("wrong result", resigned(stepped(good, same, wrong))),
        on("image of another release", resigned(stepped(plain, same, another()))),
        on("sequence too low", good, sequence=6),
        on("failed before", good, refused=(digest,)),
    ]  # fmt: skip
