"""The trust anchors as a block of flash, format 1: what a device trusts when it leaves the factory.

docs/format/trust-anchors.md has the byte table.
"""

import hashlib
import struct

from imgseal.errors import Place, UsageError
from imgseal.keys.p256 import PublicKey
from imgseal.keys.trust import IMAGES, PACKAGES, Trust, TrustedKey
from imgseal.product.algorithms import KEY_NAMES, P256
from imgseal.product.model import Product

__all__ = ["MAGIC", "anchor_block"]

MAGIC = b"\xd5anchors"
_HEAD = struct.Struct("<8sHHIBB2s")
_ENTRY = struct.Struct("<B3sI16s32s32s")
_ROLES = {IMAGES: 1, PACKAGES: 2}
_EVERY = 0xFFFF_FFFF


def anchor_block(trust: Trust, product: Product, *, development: bool) -> bytes:
    """Return the block: head, an entry for each key good for this class, SHA-256 of all of it.

    `development` takes the development keys in place of the released ones. Format 1 holds P-256 keys: UsageError where
    another algorithm must verify.
    """
    names = sorted(product.components.values(), key=lambda component: component.number)
    entries = []
    for key in _point_keys(trust, product):
        if key.development != development or not key.good_for(None, product.class_name):
            continue
        mask = sum(1 << index for index, c in enumerate(names) if c.name in key.components) or _EVERY
        assert isinstance(key.public, PublicKey)
        entries.append(_ENTRY.pack(_ROLES[key.role], bytes(3), mask, key.key_id, key.public.x, key.public.y))
    needs = (1, 1) if development else (trust.need_images, trust.need_packages)
    content = _HEAD.pack(MAGIC, 1, len(entries), 0, *needs, bytes(2)) + b"".join(entries)
    return content + hashlib.sha256(content).digest()


def _point_keys(trust: Trust, product: Product) -> tuple[TrustedKey, ...]:
    """Return the anchors that the block has room for: the P-256 keys."""
    for name, kind in zip(product.rules.must_verify, product.rules.required, strict=True):
        if kind != P256:
            raise UsageError(
                f"the block of trust anchors holds no keys for {name}, and the rules say that it must verify",
                place=Place(file=product.source, key="rules.must_verify"),
                expected="trust anchors compiled into the bootloader: no slot that holds anchors",
                found=", ".join(product.rules.must_verify),
                hint=f"leave the slot out and run imgseal device-code, or let {KEY_NAMES[P256]} alone be required",
            )
    return tuple(key for key in trust.keys if key.public.kind == P256)
