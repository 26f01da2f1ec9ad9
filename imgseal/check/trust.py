"""Trust for sealed images: who must have signed is local policy, never taken from the message.

The statement is not yet verified here. Its fields can only make this refuse sooner, never accept.
"""

from imgseal.check.context import Context, component_numbered
from imgseal.check.image import ImageSubject
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.keys.published import published_keys
from imgseal.keys.trust import IMAGES, TrustedKey
from imgseal.sealed.layout import ESP256, field

__all__ = ["ALGORITHM_NAMES", "algorithm", "example_key", "key", "revoked_key"]

ALGORITHM_NAMES = {ESP256: "ESP256", -7: "ES256"}  # COSE numbers of RFC 9864 and RFC 9053


def algorithm(subject: ImageSubject, _context: Context) -> list[Finding]:
    """At least one signature is of an algorithm this judge verifies; slots of other algorithms are skipped.

    Old devices so take images that carry a newer signature as well. On sealed images that is ESP256 (P-256, SHA-256);
    a product file can only name P-256 algorithms.
    """
    slots = subject.statement.signatures
    if any(slot.algorithm == ESP256 for slot in slots):
        return []
    return [
        Finding(
            "trust.algorithm-not-allowed",
            "no signature is of an allowed algorithm",
            Place(key="signature_0_algorithm", offset=field("signature_0_algorithm").offset),
            expected="ESP256 (-9)",
            found=", ".join(str(slot.algorithm) for slot in slots),
            hint="sign the image again with a P-256 key",
        )
    ]


def key(subject: ImageSubject, context: Context) -> list[Finding]:
    """Enough distinct trusted keys, each good for this component and class, are named by the signature slots."""
    statement = subject.statement
    anchors = list(context.trust.anchors(IMAGES, development=False))
    if context.development:
        anchors += context.trust.anchors(IMAGES, development=True)
    component = component_numbered(context.product, statement.component)
    findings: list[Finding] = []
    candidates: list[tuple[int, TrustedKey]] = []
    unknown: list[tuple[int, bytes]] = []
    for index, slot in enumerate(statement.signatures):
        if slot.algorithm != ESP256:
            continue
        anchor = next((a for a in anchors if a.key_id == slot.key_id), None)
        if anchor is None:
            unknown.append((index, slot.key_id))
            continue
        found = example_key(anchor, context) or revoked_key(anchor, context)
        if not found and not anchor.good_for(component.name if component else "", context.product.class_name):
            found = Finding(
                "trust.key-not-for-this",
                "the key is trusted, but not for this component and class",
                _place(index),
                expected=_limits(anchor),
                found=f"component {statement.component}, class {context.product.class_name}",
                hint="sign with a key that [trust.images] names for it",
            )
        if found:
            findings.append(found)
        else:
            candidates.append((index, anchor))
    subject.candidates = candidates
    if findings:
        return findings
    if not candidates:
        return [_unknown(index, key_id, anchors, context) for index, key_id in unknown]
    need = context.trust.need_images if not candidates[0][1].development else 1
    distinct = {anchor.public for _, anchor in candidates}
    if len(distinct) < need:
        return [
            Finding(
                "trust.too-few-signatures",
                "fewer trusted keys have signed than are needed",
                expected=f"{need} distinct keys",
                found=str(len(distinct)),
                hint="let the others sign as well; trust.images.need states how many",
            )
        ]
    return []


def example_key(anchor: TrustedKey, context: Context) -> Finding | None:
    """Refuse a key whose private half is public, except where the product file and the judgement are for a desk."""
    if anchor.published is None:
        return None
    if context.development and anchor.development and context.product.rules.example_keys == "development":
        return None
    return Finding(
        "trust.example-key",
        "everyone can sign with this key",
        Place(file=anchor.source),
        expected="a key whose private half is secret",
        found=f"the key of {anchor.published}",
        hint="make one of your own: imgseal key new FILE",
    )


def revoked_key(anchor: TrustedKey, context: Context) -> Finding | None:
    """Refuse a key that the device has revoked."""
    if anchor.key_id.hex() not in context.state.revoked:
        return None
    return Finding(
        "trust.key-revoked",
        "this device has revoked the key",
        Place(file=anchor.source),
        found=anchor.key_id.hex(),
        hint="sign with a key that is still in force",
    )


def _limits(anchor: TrustedKey) -> str:
    parts = []
    if anchor.components:
        parts.append("components " + ", ".join(anchor.components))
    if anchor.classes:
        parts.append("classes " + ", ".join(anchor.classes))
    return "; ".join(parts)


def _place(index: int) -> Place:
    name = f"signature_{index}_key"
    return Place(key=name, offset=field(name).offset)


def _unknown(index: int, key_id: bytes, anchors: list[TrustedKey], context: Context) -> Finding:
    for public, origin in published_keys().items():
        if public.key_id == key_id:
            return Finding(
                "trust.example-key",
                "signed with a key that everyone has",
                _place(index),
                expected="a key whose private half is secret",
                found=f"the key of {origin}",
                hint="sign with a key of your own: imgseal key new FILE",
            )
    hint = "sign with a key that [trust.images] of the product file names, or add this key there if it is yours"
    for anchor in context.trust.keys:
        if anchor.key_id == key_id and anchor.development:
            hint = (
                f"this is the development key {anchor.source}: the image was made at a desk; make it again with "
                "imgseal build --release, or judge it with --development"
            )
        elif anchor.key_id == key_id:
            hint = f"this is {anchor.source}, which the product file trusts for {anchor.role} only"
    return Finding(
        "trust.unknown-key",
        "signed with a key that is not trusted for images",
        _place(index),
        expected=", ".join(f"{a.key_id.hex()} ({a.source})" for a in anchors) or "no key is trusted at all",
        found=key_id.hex(),
        hint=hint,
    )
