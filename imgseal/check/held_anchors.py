"""A set of trust anchors as a device holds it from the factory on: no update, and nothing in it is signed."""

import hashlib

from imgseal.check.context import Context
from imgseal.check.runner import Check, run
from imgseal.check.trust_update import UpdateSubject, device_class, judge_update, published, set_details, vendor
from imgseal.errors import Place
from imgseal.findings import PASSED, Finding, Verdict
from imgseal.formats.trust_anchors import codec
from imgseal.formats.trust_anchors.codec import AnchorFormatError, AnchorSet, AnchorUpdate
from imgseal.keys.anchor_set import anchor_set
from imgseal.limits import TRUST_BYTES
from imgseal.window import Bytes


def judge_anchors(data: Bytes, name: str, context: Context, device: str) -> Verdict:
    """Judge a trust anchor update, or the set that a device holds.

    Nothing signs the latter, so that only a set that is known already vouches for it.
    """
    block = _held_block(bytes(data.read(0, TRUST_BYTES + 1)))
    if block is None:
        return judge_update(data, name, context, device)
    subject = UpdateSubject(b"", context.anchors or anchor_set(context.trust, context.product))
    subject.update = AnchorUpdate(block, b"", b"", b"")
    results = run(HELD_ORDER, subject, context, "")
    details = set_details(block) if all(result.outcome == PASSED for result in results) else ()
    return Verdict(name, "trust anchor set", device, results, details)


def _held_block(content: bytes) -> AnchorSet | None:
    """Return the set of a block as devices leave the factory with; None for anything else, an update among it."""
    try:
        anchors = codec.read_flash_block(content)
    except AnchorFormatError:
        return None
    return anchors if codec.flash_block(anchors) == content else None


def same(subject: UpdateSubject, _context: Context) -> Finding | None:
    """The set is the one that the device is known to hold, or leaves the factory with."""
    found, held = codec.encode_set(subject.update.anchors), codec.encode_set(subject.held)
    if found == held:
        return None
    return Finding(
        "trust.not-by-apex",
        "nothing signs a set as devices hold it, and this is not the one of the product file or the device",
        Place(key="keys"),
        expected=f"set {codec.number_words(subject.held.number)}, SHA-256 {hashlib.sha256(held).hexdigest()}",
        found=f"set {codec.number_words(subject.update.anchors.number)}, SHA-256 {hashlib.sha256(found).hexdigest()}",
        hint="make it again: imgseal factory; or judge it for its own device: imgseal check --device FILE",
    )


_READ = ("known",)

HELD_ORDER: tuple[Check[UpdateSubject], ...] = (
    Check("vendor", "identity", (), vendor),
    Check("class", "identity", (), device_class),
    Check("known", "trust", ("vendor", "class"), same),
    Check("published", "rules", _READ, published),
)
"""Checks of one set as a device holds it."""
