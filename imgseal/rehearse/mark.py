"""The boot mark on the simulated device: what it is made of there, and where it lies. docs/format/boot-mark.md."""

import struct
from collections.abc import Mapping

from imgseal.formats.install_record.boot_mark import BOOT_MARK_BYTES, ML_DSA_44_KIND, P256_KIND, MarkedAnchor, boot_mark
from imgseal.formats.install_record.record import Member
from imgseal.keys.p256 import PublicKey
from imgseal.keys.trusted_keys import IMAGES, TrustedKey
from imgseal.product.algorithms import P256
from imgseal.product.model import Product
from imgseal.rehearse.device import Device
from imgseal.rehearse.flash import FlashReadError

_EVERY = 0xFFFF_FFFF


class Mark:
    """The mark's slot as the bootloader uses it; it never counts and is not written where signatures always are."""

    def __init__(self, device: Device) -> None:
        self._device = device
        slot = device.product.slot_holding("boot-mark")
        self._slot = slot.name if slot is not None and device.product.rules.at_boot == "digest" else None

    def stands_for(self, members: Mapping[int, Member]) -> bool:
        """Say whether the slot holds the mark of this set on this device; torn, erased or another one says no."""
        if self._slot is None:
            return False
        try:
            found = self._device.slots.view(self._slot).read(0, BOOT_MARK_BYTES)
        except FlashReadError:
            return False
        return found == self.of(members)

    def write(self, members: Mapping[int, Member]) -> None:
        """Replace the mark by that of a set whose signatures have been verified since the reset."""
        if self._slot is None:
            return
        self._device.slots.erase(self._slot)
        self._device.slots.write(self._slot, self.of(members), is_image=False)

    def of(self, members: Mapping[int, Member]) -> bytes:
        """Return the mark of a set."""
        facts = self._device.facts
        rules = facts.product.rules
        anchors = (k for k in facts.trust.keys if k.role == IMAGES and (facts.development or not k.development))
        state = facts.state
        version = (0, 0, 0, 0) if state.bootloader is None else state.bootloader.words()
        return boot_mark(
            members,
            facts.product.numbers,
            [_marked(key, facts.product) for key in anchors],
            (bytes.fromhex(key) for key in state.revoked),
            need=facts.trust.need_images,
            kinds=_bits(rules.kinds),
            must_verify=_bits(rules.required),
            development=facts.development,
            hardware=state.hardware or 0,
            bootloader=struct.pack("<4I", *version),
        )


def _bits(kinds: tuple[str, ...]) -> int:
    return sum(P256_KIND if kind == P256 else ML_DSA_44_KIND for kind in kinds)


def _marked(key: TrustedKey, product: Product) -> MarkedAnchor:
    """Return a key as the device's table has it: one for other classes is good for no component."""
    mine = (c.number for c in product.components.values() if c.name in key.components)
    components = sum(1 << product.numbers.index(number) for number in mine) if key.components else _EVERY
    if key.classes and product.class_name not in key.classes:
        components = 0
    point, value = (key.public.x + key.public.y, b"") if isinstance(key.public, PublicKey) else (b"", key.public.value)
    return MarkedAnchor(key.key_id, point, value, components, key.development)
