"""The checks of a trust anchor update, in their order; docs/format/trust-anchors.md. A device makes the same ones."""

from imgseal.check.context import Context
from imgseal.check.identity import other_class, other_vendor
from imgseal.check.image import ImageSubject
from imgseal.check.runner import Check, NotRun, run
from imgseal.errors import Place
from imgseal.findings import PASSED, Finding, Verdict, said_by
from imgseal.formats.cose.labels import ESP256
from imgseal.formats.sealed_image.codec import HeaderBlock
from imgseal.formats.trust_anchors import codec
from imgseal.formats.trust_anchors.codec import AnchorFormatError, AnchorSet, AnchorUpdate
from imgseal.keys.anchor_set import anchor_set, refuse_off_curve
from imgseal.keys.p256 import BadSignatureError, PublicKey, verify
from imgseal.keys.published import origin_of
from imgseal.limits import TRUST_BYTES
from imgseal.product.model import Product
from imgseal.window import Bytes

_NONE = bytes(64)
_FROM_NEWEST = "make it from the newest set: imgseal trust replace --previous FILE"
ROOM = 'a slot of two erase blocks that holds = "anchors"'
NO_ROOM = "devices that are made from now on can have it; others keep their keys: docs/format/trust-anchors.md"
_AGAIN = "get it again from its source, or make it again: imgseal trust replace"


class UpdateSubject:
    """An update that is being judged: its bytes, and what has been read of them."""

    __slots__ = ("by_contingency", "data", "held", "update")

    def __init__(self, data: bytes, held: AnchorSet) -> None:
        self.data = data
        self.held = held
        self.update: AnchorUpdate
        self.by_contingency = False


def judge_update(data: Bytes, name: str, context: Context, device: str) -> Verdict:
    """Judge a trust anchor update against the set that the device holds: the product file's, if it has none yet."""
    held = context.anchors or anchor_set(context.trust, context.product)
    subject = UpdateSubject(bytes(data.read(0, TRUST_BYTES + 1)), held)
    results = run(ORDER, subject, context, "")
    details: tuple[tuple[str, str], ...] = ()
    if any(result.name == "signature" and result.outcome == PASSED for result in results):
        new = subject.update.anchors
        by = "the contingency key" if subject.by_contingency else "the apex trust anchor"
        details = (*set_details(new, f", after {codec.number_words(held.number)}"), ("signed by", by))
    return Verdict(name, "trust anchor update", device, results, details)


def set_details(anchors: AnchorSet, after: str = "") -> tuple[tuple[str, str], ...]:
    """Say which set this is, and what it holds."""

    def keys(role: int) -> str:
        number = sum(anchor.role == role for anchor in anchors.anchors)
        return f"{number} key" + ("" if number == 1 else "s")

    delivering = any(anchor.role == codec.DELIVERIES for anchor in anchors.anchors)
    return (
        ("set", codec.number_words(anchors.number) + after),
        ("images", f"{keys(codec.IMAGES)}, {anchors.need_images} needed"),
        ("packages", f"{keys(codec.PACKAGES)}, {anchors.need_packages} needed"),
        ("deliveries", f"{keys(codec.DELIVERIES)}, 1 needed" if delivering else "by keys for packages"),
        ("revoked", str(len(anchors.revoked))),
    )


def structure(subject: UpdateSubject, _context: Context) -> Finding | None:
    """The update is one set, a signer and a signature, and every key is a point of the curve."""
    try:
        subject.update = codec.decode_update(subject.data)
        refuse_off_curve(subject.update.anchors, subject.update.signer)
    except AnchorFormatError as error:
        return said_by("structure.trust-set", error)
    return None


def signer(subject: UpdateSubject, _context: Context) -> Finding | None:
    """The apex trust anchor of the set before has signed, or the contingency key that was named there."""
    held, point = subject.held, subject.update.signer
    found = PublicKey(point[:32], point[32:]).thumbprint
    expected = "no update at all: the set before names no apex trust anchor"
    hint = "devices without an apex trust anchor take no other set, ever: docs/keys.md"
    if held.apex != _NONE:
        subject.by_contingency = point != held.apex and found == held.contingency
        if point == held.apex or subject.by_contingency:
            return None
        expected = PublicKey(held.apex[:32], held.apex[32:]).thumbprint.hex()
        hint = "sign with the key of trust.apex; imgseal key show FILE shows thumbprints"
    message = "neither the apex trust anchor nor the contingency key has signed this"
    return Finding("trust.not-by-apex", message, Place(key="signer"), expected, found.hex(), hint)


def signature(subject: UpdateSubject, _context: Context) -> Finding | None:
    """The signer's signature holds for everything before it."""
    update = subject.update
    try:
        verify(PublicKey(update.signer[:32], update.signer[32:]), update.signed, update.signature)
    except BadSignatureError as error:
        return Finding(
            "signature.malformed" if error.malformed else "signature.does-not-verify",
            str(error),
            Place(key="signature"),
            found=update.signature.hex(),
            hint=_AGAIN,
        )
    return None


def vendor(subject: UpdateSubject, context: Context) -> Finding | None:
    """Made for this vendor's devices."""
    return other_vendor(context.product, subject.update.anchors.vendor_id, Place(key="vendor_id"))


def device_class(subject: UpdateSubject, context: Context) -> Finding | None:
    """Made for this class of devices."""
    return other_class(context.product, subject.update.anchors.class_id, Place(key="class_id"))


def published(subject: UpdateSubject, _context: Context) -> Finding | None:
    """No key whose private half is public becomes trusted."""
    new = subject.update.anchors
    points = [anchor.point for anchor in new.anchors] + [new.apex]
    origins = (origin_of(PublicKey(point[:32], point[32:])) for point in points)
    origin = next((each for each in origins if each is not None), None)
    if origin is None:
        return None
    return Finding(
        "trust.example-key",
        "everyone can sign with a key of this set",
        Place(key="keys"),
        expected="keys whose private half is secret",
        found=f"the key of {origin}",
        hint="take it out of [trust] and make one of your own: imgseal key new FILE",
    )


def apex(subject: UpdateSubject, _context: Context) -> Finding | None:
    """The apex key keeps itself and its contingency; the contingency key names others in place of both, and is spent.

    So a thief of the apex key cannot lock its owner out, and neither of the two comes back in the other's place.
    """
    held, new = subject.held, subject.update.anchors
    if not subject.by_contingency:
        right = new.apex == held.apex and new.contingency == held.contingency
    else:
        old = PublicKey(held.apex[:32], held.apex[32:]).thumbprint
        own = PublicKey(new.apex[:32], new.apex[32:]).thumbprint
        right = new.apex not in (held.apex, _NONE) and own != held.contingency
        right = right and new.contingency not in (held.contingency, old)
    if right:
        return None
    return Finding(
        "rules.apex-change",
        "the contingency key has to name a new apex trust anchor and a new contingency key"
        if subject.by_contingency
        else "the apex trust anchor may change neither itself nor the contingency key",
        Place(key="apex"),
        expected="two other keys" if subject.by_contingency else "the same two keys",
        found="one of the old ones" if subject.by_contingency else "another key",
        hint="only the contingency key can replace the apex trust anchor, and itself with it",
    )


def fixed(_subject: UpdateSubject, context: Context) -> Finding | None:
    """The device has room for two sets of trust anchors: without it, those from the factory stay for ever."""
    found = fixed_by(context.product)
    if found is None:
        return None
    message = "this device cannot take a trust anchor set: those of the factory are for ever"
    return Finding("rules.fixed-anchors", message, Place(key="slot"), ROOM, found, NO_ROOM)


def fixed_by(product: Product) -> str | None:
    """Say what keeps devices of a product from ever taking another set; None: nothing does."""
    slot = product.slot_holding("anchors")
    if slot is None:
        return "no such slot: the trust anchors are compiled into the bootloader"
    return f"{slot.name} of one erase block" if slot.size < 2 * product.memories[slot.memory].erase_block else None


def revocations(subject: UpdateSubject, _context: Context) -> Finding | None:
    """What was revoked stays revoked, but for the contingency key, which starts anew.

    A thief of the apex key may have filled the list, or put good keys on it.
    """
    if subject.by_contingency:
        return None
    lost = [key for key in subject.held.revoked if key not in subject.update.anchors.revoked]
    if not lost:
        return None
    return Finding(
        "rules.revocation-undone",
        "a revoked key is no longer revoked",
        Place(key="revoked"),
        expected=", ".join(key.hex() for key in subject.held.revoked),
        found="without " + ", ".join(key.hex() for key in lost),
        hint=_FROM_NEWEST,
    )


def trial(_subject: UpdateSubject, context: Context) -> Finding | None:
    """No set is exchanged while the device is trying a release: its way back needs the old keys."""
    if context.state.trial is None:
        return None
    return Finding(
        "rules.trial-open",
        "the device is trying a release",
        Place(key="trial"),
        expected="a settled set of images",
        found=f"release {context.state.trial.sequence} in trial",
        hint="wait until it has settled, or has gone back",
    )


def in_use(subject: UpdateSubject, context: Context) -> list[Finding] | NotRun:
    """Every image that the device starts, and its recovery image, still has enough signers."""
    findings = []
    for component in context.product.components.values():
        index = context.state.running.get(component.number)
        if index is None and not component.recovery:
            continue
        slot = (component.header or component.run)[index or 0]
        content = context.contents.get(slot)
        if content is None:
            if component.recovery:
                continue  # an erased slot: there is nothing that could start
            return NotRun(f"what slot {slot} holds is not known: the state file names no content of it")
        header = ImageSubject(content).header
        if header is None:
            continue  # no image: it does not start today either
        bit = 1 << context.product.numbers.index(component.number)
        because = _does_not_start(header, subject.update.anchors, bit)
        if because:
            findings.append(
                Finding(
                    "rules.trust-in-use",
                    f"{component.name} in {slot} would not start any more",
                    Place(key="keys"),
                    expected=f"{subject.update.anchors.need_images} of its signers in the new set, none of them bad",
                    found=because,
                    hint="install a release that is signed by keys of the new set first, recovery image included",
                )
            )
    return findings


def _does_not_start(header: HeaderBlock, new: AnchorSet, bit: int) -> str:
    """Say why an image would be refused for its signers under the new set, as the judge of images would.

    Empty: it holds.

    One that an old device passed over because it did not know the key counts now, and has to hold.
    """
    keys = {anchor.key_id: anchor for anchor in new.anchors if anchor.role == codec.IMAGES}
    count = 0
    for slot, value in zip(header.statement.signatures, header.signatures, strict=True):
        anchor = keys.get(slot.key_id)
        if slot.algorithm != ESP256 or anchor is None:
            continue
        if not anchor.components & bit:
            return f"{slot.key_id.hex()} is good for other components only"
        try:
            verify(PublicKey(anchor.point[:32], anchor.point[32:]), header.statement_bytes, value)
        except BadSignatureError:
            return f"the signature by {slot.key_id.hex()} does not hold"
        count += 1
    return "" if count >= new.need_images else f"{count} of them"


def number(subject: UpdateSubject, _context: Context) -> Finding | None:
    """The number rises, and its first byte by one where the contingency key has signed, and only there.

    So whoever has the apex key cannot use up the numbers of its successor. The same set may come once more.
    """
    held, new = subject.held, subject.update.anchors
    generation = held.number >> codec.GENERATION
    if subject.by_contingency:
        least, most = generation + 1 << codec.GENERATION, (generation + 2 << codec.GENERATION) - 1
    else:
        least, most = held.number + 1, (generation + 1 << codec.GENERATION) - 1
    again = not subject.by_contingency and codec.encode_set(new) == codec.encode_set(held)
    if least <= new.number <= most or again:
        return None
    return Finding(
        "rollback.trust-number",
        "the number of the set is not one that may follow",
        Place(key="number"),
        expected=f"{least} to {most}",
        found=str(new.number),
        hint=_FROM_NEWEST,
    )


_SIGNED = ("signature",)

ORDER: tuple[Check[UpdateSubject], ...] = (
    Check("update", "structure", (), structure),
    Check("signer", "trust", ("update",), signer),
    Check("signature", "signature", ("signer",), signature),
    Check("vendor", "identity", _SIGNED, vendor),
    Check("class", "identity", _SIGNED, device_class),
    Check("published", "rules", _SIGNED, published),
    Check("fixed", "rules", _SIGNED, fixed),
    Check("apex", "rules", _SIGNED, apex),
    Check("revocations", "rules", _SIGNED, revocations),
    Check("trial", "rules", _SIGNED, trial),
    Check("in-use", "rules", _SIGNED, in_use),
    Check("number", "rollback", _SIGNED, number),
)
"""Checks of one trust anchor update."""
