"""What a device must not start, for the installer and for a boot by digest: one fault a case."""

import functools
import hashlib
import struct
from collections.abc import Callable
from typing import Any

from skip_cases import (
    APP,
    BOOTS,
    MARK,
    OTHER,
    RADIO,
    Case,
    bad_images,
    firmware,
    flip,
    ground,
    key,
    member,
    of,
    records,
    shop,
    slot,
    trust,
)
from workshop import make, public_key, repacked, resealed

from imgseal.flow.release import FirmwareFile
from imgseal.formats.cbor.strict import encode
from imgseal.formats.install_record.boot_mark import P256_KIND, MarkedAnchor, boot_mark
from imgseal.formats.install_record.record import SETTLED, Member
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.keys.p256 import PublicKey
from imgseal.keys.trusted_keys import IMAGES


@functools.cache
def before() -> dict[str, bytes]:
    """The images of the release that runs."""
    files = [
        FirmwareFile(name, f"{name}.bin", MemoryImage.from_bytes(base + 512, firmware(f"{name} before", base)))
        for name, base in (("app", APP), ("app", OTHER), ("radio", RADIO))
    ]
    return dict(make(of(), files=files).images)


def _packed(package: bytes, spoil: Callable[[str, bytes], bytes], **arguments: Any) -> bytes:
    """The package with other images, whose digests its manifest names."""
    found = {name: bytes(view) for name, view in decode_envelope(package).payloads.items()}
    spoilt = {name: spoil(name, image) for name, image in found.items()}

    def manifest(data: bytes) -> bytes:
        for name, image in found.items():
            data = data.replace(hashlib.sha256(image).digest(), hashlib.sha256(spoilt[name]).digest())
        return data

    return repacked(package, manifest, payloads=lambda _: spoilt, **arguments)


def installs() -> list[Case]:
    """A release runs, and a package is streamed to the installer; behind the reset the boot choice goes on with what came of it."""
    whole, images = shop().package, shop().images

    def on(
        name: str, package: bytes, *, new_radio: bool = False, starts: int = APP, walked: int = 1, **changes: Any
    ) -> Case:
        radio = (before() if new_radio else images)["radio"]
        device = {name: changes.pop(name) for name in ("revoked", "counter") if name in changes}
        record: dict[str, Any] = {
            "phase": SETTLED, "current": {1: member(0, before()["app-a"]), 2: member(0, radio)}, "sequence": 4, **changes,
        }  # fmt: skip
        flash = (slot(APP, before()["app-a"]), slot(RADIO, radio), records(**record))
        return Case(name, "skip_install", flash, (starts,), package, boots=BOOTS, walked=walked, **device)

    def app(change: Callable[[bytes], bytes]) -> bytes:
        return _packed(whole, lambda name, image: change(image) if "app" in name else image)

    digest = hashlib.sha256(encode(decode_envelope(whole).manifest)).digest()
    lower: Callable[[bytes], bytes] = lambda image: resealed(image, lambda s: s._replace(counter=2))  # noqa: E731
    return [
        on("good", whole, starts=OTHER),
        on("package by a stranger", repacked(whole, by=("keys/foreign",))),
        on("wrong signature of the package", flip(whole, whole.index(b"\xd2\x84") + 32)),
        on("image by a stranger", app(lambda image: resealed(image, by=("keys/foreign",)))),
        on("wrong signature of the image", app(lambda image: flip(image, 400))),
        on("wrong payload digest", repacked(whole, payloads=lambda p: {k: ground(v) if "app" in k else v for k, v in p.items()})),
        on("counter too low", app(lower)),
        on("wrong component", app(lambda _: images["radio"])),
        on("revoked key of the package", repacked(whole, by=("keys/older-packages",)), revoked=(key("keys/older-packages"),)),
        on("revoked key of the image", app(lambda image: resealed(image, by=("keys/older",))), revoked=(key("keys/older"),)),
        on("development flag", app(lambda image: resealed(image, lambda s: s._replace(flags=s.flags | 1)))),
        on("development package", shop(development=True).package),
        on("sequence too low", whole, sequence=6),
        on("failed before", whole, refused=(digest,)),
        on("radio by a stranger", _packed(whole, lambda n, image: resealed(image, by=("keys/foreign",)) if "radio" in n else image), new_radio=True),
    ]  # fmt: skip


def mark(
    members: dict[int, Member],
    *,
    development: bool = False,
    bootloader: int = 0,
    revoked: tuple[str, ...] = (),
    other: bool = False,
) -> bytes:
    """The mark of a set on the device of skip_main.c; what is said makes it that of another one."""
    held = [k.public for k in trust().keys if k.role == IMAGES]
    anchors = []
    for number, public in enumerate(held):
        assert isinstance(public, PublicKey)
        mine = public_key("keys/foreign") if other and number == 1 else public
        of_desk = [k.development for k in trust().keys if k.role == IMAGES][number]
        anchors.append(MarkedAnchor(mine.key_id, mine.x + mine.y, b"", 0xFFFF_FFFF, of_desk))
    return boot_mark(
        members, of().numbers, anchors, (bytes.fromhex(name) for name in revoked), need=1, kinds=P256_KIND, must_verify=P256_KIND,
        development=development, hardware=1, bootloader=struct.pack("<4I", 1, bootloader, 0, 0xFFFF_FFFF),
    )  # fmt: skip


def marks() -> list[Case]:
    """Sets whose signatures do not hold, named by a record, and a mark that is not theirs on this device."""
    images = {name: image for name, image, _ in bad_images(shop().images["app-a"])}
    spoilt, radio = flip(shop().images["app-a"], 400), shop().images["radio"]
    foreign = flip(resealed(shop().images["app-a"], lambda s: s._replace(counter=4)), 400)
    good = {1: member(0, shop().images["app-a"]), 2: member(0, radio)}
    mine, theirs = good, {**good, 1: member(0, foreign)}
    assert mine[1].statement == member(0, spoilt).statement

    def on(
        name: str, image: bytes, note: bytes, members: dict[int, Member], allowed: tuple[int, ...] = (), **device: Any
    ) -> Case:
        flash = (slot(APP, image), slot(RADIO, radio), records(phase=SETTLED, current=members), (MARK, note))
        return Case(name, "skip_boot", flash, allowed, boots=BOOTS, **device)

    older = (key("keys/older"),)
    under_older = images["revoked key"]
    named = {**good, 1: member(0, under_older)}
    return [
        on("good", spoilt, mark(mine), mine, (APP,)),
        on("no mark", spoilt, b"", mine),
        on("another one's mark", spoilt, flip(mark(mine), 31), mine),
        on("mark of another statement", foreign, mark(mine), theirs),
        on("mark of another slot", spoilt, mark({**good, 1: good[1]._replace(slot=1)}), mine),
        on("mark under another key", spoilt, mark(mine, other=True), mine),
        on("mark from before a key was revoked", under_older, mark(named), named, revoked=older),
        on("mark of a device on a desk", spoilt, mark(mine, development=True), mine),
        on("mark of another bootloader", spoilt, mark(mine, bootloader=1), mine),
        on("right mark, counter too low", spoilt, mark(mine), mine, counter=4),
        on("right mark, wrong payload digest", ground(shop().images["app-a"]), mark(mine), mine),
    ]
