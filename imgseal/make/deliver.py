"""Makes deliveries: what travels for each component, in its smallest form, around a release that stays as it is."""

import hashlib

from imgseal.formats.cbor.strict import encode as encode_cbor
from imgseal.formats.delta.layout import IMAGE_BYTES
from imgseal.formats.suit import labels
from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.delivery import (
    COMPRESSED,
    PATCH,
    PLAIN,
    RELEASE_KEY,
    Base,
    Delivery,
    Step,
    encode_delivery,
    key_of,
    place_of,
)  # fmt: skip
from imgseal.formats.suit.envelope import Envelope, envelope_pieces, wrapped_digest
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.keys.signer import Signer
from imgseal.make.delta.encode import encode
from imgseal.make.delta.frame import Side, frame_of
from imgseal.make.pack import authentication_block
from imgseal.product.model import Product
from imgseal.records import NamedTuple


class Wanted(NamedTuple):
    """An image that a device needs for a component of the manifest, and what it runs instead; None: not known.

    `remade` False: the device has no second place in which it could make the image, so that it travels as it is.
    """

    part: OurComponent
    new: Side
    old: Side | None
    remade: bool


class Travels(NamedTuple):
    """What travels for a step."""

    step: Step
    data: bytes


_SMALL = 16
"""An image is not told by itself in fewer bytes than this part of it, but for one that is all but blank."""


def smallest(wanted: Wanted) -> Travels:
    """Return the smallest of what could travel: a patch, the image compressed, or the image as it is.

    Compressing takes as long as ten patches: where a patch is a small part of the image no compressed one is tried.
    """
    new, old = wanted.new.data, wanted.old
    best = _travels(wanted.part, PLAIN, new)
    if not wanted.remade or len(new) > IMAGE_BYTES:
        return best
    forms: list[tuple[str, Side]] = []
    if old is not None and 0 < len(old.data) <= IMAGE_BYTES:
        forms.append((PATCH, old))
    forms.append((COMPRESSED, Side(b"", wanted.new.base, wanted.new.code)))
    for form, start in forms:
        if form == COMPRESSED and best.step.form == PATCH and len(best.data) * _SMALL < len(new):
            break
        base = Base(len(start.data), hashlib.sha256(start.data).digest()) if form == PATCH else None
        made = _travels(wanted.part, form, encode(start.data, new, frame_of(start, wanted.new)).data, base)
        if len(made.data) < len(best.data):
            best = made
    return best


def _travels(part: OurComponent, form: str, data: bytes, base: Base | None = None) -> Travels:
    return Travels(Step(part, form, len(data), hashlib.sha256(data).digest(), base), data)


def deliver(release: Envelope, travels: list[Travels], signer: Signer, product: Product) -> bytes:
    """Return the delivery around a release: its envelope without payloads and text, and what travels in order."""
    ordered = sorted(travels, key=lambda each: place_of(each.step))
    sequence = decode_manifest(release.manifest).sequence_number
    steps = tuple(each.step for each in ordered)
    manifest = encode_delivery(Delivery(sequence, release.digest.value, product.vendor_id, product.class_id, steps))
    severed = {label: data for label, data in release.severed.items() if label != labels.TEXT}
    inside = b"".join(envelope_pieces(release.digest_bytes, release.blocks, release.manifest, severed, {}))
    payloads = {RELEASE_KEY: (len(inside), iter([inside]))}
    payloads.update({key_of(n): (len(each.data), iter([each.data])) for n, each in enumerate(ordered)})
    message = encode_cbor(wrapped_digest(manifest).to_value())
    block = authentication_block(signer, message, product)
    return b"".join(envelope_pieces(message, (block,), manifest, {}, payloads))
