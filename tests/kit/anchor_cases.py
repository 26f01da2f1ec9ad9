"""Cases of trust anchor updates: one fault each, against the set that a device holds from the factory or took later."""

import functools
from collections.abc import Iterator
from typing import Any

from image_cases import Case, device, held
from kit_base import product
from workshop import public_key, resealed, signer, trust_of

from imgseal.formats.trust_anchors.codec import (
    DELIVERIES,
    GENERATION,
    IMAGES,
    PACKAGES,
    Anchor,
    AnchorSet,
    encode_set,
    encode_update,
)
from imgseal.keys.anchor_set import anchor_set
from imgseal.keys.p256 import ORDER, PublicKey
from imgseal.keys.untrusted import published_signer

APEX = "kit-apex"
HEAD, ENTRY = 148, 88
NEEDED = "structure.trust-set"


def point(name: str) -> bytes:
    key = public_key(name)
    return key.x + key.y


def anchor(role: int, name: str, components: int = 0xFFFF_FFFF) -> Anchor:
    return Anchor(role, components, public_key(name).key_id, point(name))


@functools.cache
def factory() -> AnchorSet:
    of = product(APEX)
    return anchor_set(trust_of(of), of)


def following(**changes: Any) -> AnchorSet:
    """The set after the factory's: the same keys, and a second one for images."""
    base = factory()._replace(number=1, anchors=(*factory().anchors, anchor(IMAGES, "keys/second")))
    return base._replace(**changes)


def delivering(*more: Anchor, **changes: Any) -> AnchorSet:
    """The same with a key for deliveries, and other keys."""
    return following(anchors=(*following().anchors, anchor(DELIVERIES, "keys/deliveries"), *more), **changes)


def signed(anchors: AnchorSet | bytes, by: str = "keys/apex") -> bytes:
    content = anchors if isinstance(anchors, bytes) else encode_set(anchors)
    message = content + point(by)
    return encode_update(message, signer(by).sign(message))


def patched(at: int, value: bytes, anchors: AnchorSet | None = None) -> bytes:
    raw = bytearray(encode_set(anchors or following()))
    raw[at : at + len(value)] = value
    return signed(bytes(raw))


def anchor_cases() -> Iterator[Case]:
    for case in (*_structure(), *_signatures(), *_rules(), *_rotation(), *_deliveries()):
        yield case._replace(product=APEX if case.product == "kit" else case.product)


def _structure() -> Iterator[Case]:
    good = signed(following())
    yield Case("anchors-good", good, "accepted")
    yield Case("anchors-magic-only", good[:8], NEEDED)
    yield Case("anchors-cut-127", good[:127], NEEDED)
    yield Case("anchors-cut-128", good[:128], NEEDED)
    yield Case("anchors-cut-1", good[:-1], NEEDED)
    yield Case("anchors-byte-more", good + b"\0", NEEDED)
    yield Case("anchors-format", patched(8, b"\x02"), NEEDED)
    yield Case("anchors-format-high", patched(9, b"\x01"), NEEDED)
    yield Case("anchors-keys-one-less", patched(10, b"\x03"), NEEDED)
    yield Case("anchors-keys-one-more", patched(10, b"\x05"), NEEDED)
    yield Case("anchors-keys-none", patched(10, b"\0\0"), NEEDED)
    yield Case("anchors-keys-33", signed(_many(33, 0)), NEEDED)
    yield Case("anchors-keys-32", signed(_many(32, 0)), "accepted")
    yield Case("anchors-revoked-33", signed(_many(4, 33)), NEEDED)
    yield Case("anchors-revoked-32", signed(_many(4, 32)), "accepted")
    yield Case("anchors-need-images-none", patched(16, b"\0"), NEEDED)
    yield Case("anchors-need-images-all", signed(following(need_images=3)), "accepted")
    yield Case("anchors-need-images-one-more", patched(16, b"\x04"), NEEDED)
    yield Case("anchors-need-packages-none", patched(17, b"\0"), NEEDED)
    yield Case("anchors-need-packages-one-more", patched(17, b"\x02"), NEEDED)
    only = [a for a in following().anchors if a.role == IMAGES]
    yield Case("anchors-no-packages", signed(following(anchors=tuple(only))), NEEDED)
    yield Case("anchors-role-zero", patched(HEAD, b"\0"), NEEDED)
    yield Case("anchors-role-four", patched(HEAD + 4 * ENTRY, b"\x04", delivering()), NEEDED)
    yield Case("anchors-reserved", patched(HEAD + 3, b"\x01"), NEEDED)
    yield Case("anchors-good-for-nothing", patched(HEAD + 4, bytes(4)), NEEDED)
    yield Case("anchors-packages-limited", patched(HEAD + 3 * ENTRY + 4, b"\x01\0\0\0"), NEEDED)
    yield Case("anchors-identifier", patched(HEAD + 8 + 15, b"\xff"), NEEDED)
    yield Case("anchors-off-the-curve", signed(_off_the_curve()), NEEDED)
    entries = [encode_set(following())[HEAD + ENTRY * i : HEAD + ENTRY * (i + 1)] for i in range(4)]
    head = encode_set(following())[:HEAD]
    yield Case("anchors-order", signed(head + entries[1] + entries[0] + entries[2] + entries[3]), NEEDED)
    yield Case("anchors-roles-order", signed(head + entries[3] + entries[0] + entries[1] + entries[2]), NEEDED)
    yield Case("anchors-twice", signed(head + entries[0] + entries[0] + entries[2] + entries[3]), NEEDED)
    both = (*following().anchors, anchor(PACKAGES, "keys/images"))
    yield Case("anchors-one-key-two-roles", signed(following(anchors=both)), NEEDED)
    some = tuple(sorted(public_key(name).key_id for name in ("stranger", "another")))
    yield Case(
        "anchors-revoked-order",
        signed(encode_set(following()._replace(revoked=some))[:-32] + some[1] + some[0]),
        NEEDED,
    )
    yield Case(
        "anchors-revoked-twice", signed(encode_set(following()._replace(revoked=some))[:-32] + some[0] * 2), NEEDED
    )
    own = (public_key("keys/second").key_id,)
    yield Case("anchors-trusted-and-revoked", signed(following(revoked=own)), NEEDED)
    yield Case(
        "anchors-apex-signs-images",
        signed(following(anchors=(*following().anchors, anchor(IMAGES, "keys/apex")))),
        NEEDED,
    )
    spare = (*following().anchors, anchor(IMAGES, "keys/contingency"))
    yield Case("anchors-contingency-signs-images", signed(following(anchors=spare)), NEEDED)
    yield Case("anchors-contingency-is-apex", signed(following(contingency=public_key("keys/apex").thumbprint)), NEEDED)
    yield Case("anchors-apex-revoked", signed(following(revoked=(public_key("keys/apex").key_id,))), NEEDED)
    yield Case(
        "anchors-contingency-revoked", signed(following(revoked=(public_key("keys/contingency").key_id,))), NEEDED
    )
    yield Case("anchors-contingency-without-apex", signed(following(apex=bytes(64))), NEEDED)


def _many(keys: int, revoked: int) -> AnchorSet:
    more = tuple(anchor(IMAGES, f"many-{number}") for number in range(keys - 4))
    gone = tuple(public_key(f"gone-{number}").key_id for number in range(revoked))
    return following(anchors=(*following().anchors, *more), revoked=gone)


def _off_the_curve() -> AnchorSet:
    """The identifier is that of the coordinates; only the curve's equation does not hold."""
    from imgseal.formats.cose.kid import thumbprint

    x = public_key("keys/second").x
    y = bytes(31) + b"\x01"
    wrong = Anchor(IMAGES, 0xFFFF_FFFF, thumbprint(x, y)[:16], x + y)
    return following(anchors=(*factory().anchors, wrong))


def _signatures() -> Iterator[Case]:
    good = signed(following())
    yield Case("anchors-by-somebody", signed(following(), by="stranger"), "trust.not-by-apex")
    yield Case("anchors-by-the-images-key", signed(following(), by="keys/images"), "trust.not-by-apex")
    yield Case("anchors-no-apex-on-the-device", good, "trust.not-by-apex", product="kit-es256")
    other = following(apex=point("stranger"), contingency=bytes(32))
    yield Case("anchors-by-its-own-apex", signed(other, by="stranger"), "trust.not-by-apex")
    for name, at in (("first", -64), ("last", -1), ("number", 12), ("last-key", -129), ("signer", -100)):
        raw = bytearray(good)
        raw[at] ^= 1
        first = {"signer": "trust.not-by-apex", "last-key": NEEDED}.get(name, "signature.does-not-verify")
        if name == "signer":
            first = NEEDED  # the point leaves the curve
        yield Case(f"anchors-bit-{name}", bytes(raw), first)
    for name, r, s in (("r-zero", 0, 1), ("r-n", ORDER, 1), ("s-zero", 1, 0), ("s-n", 1, ORDER)):
        yield Case(f"anchors-{name}", good[:-64] + r.to_bytes(32) + s.to_bytes(32), "signature.malformed")
    yield Case(
        "anchors-signature-of-another", good[:-64] + signed(following(number=2))[-64:], "signature.does-not-verify"
    )


def _rules() -> Iterator[Case]:
    yield Case("anchors-vendor", signed(following(vendor_id=bytes(16))), "identity.wrong-vendor")
    yield Case("anchors-class", signed(following(class_id=bytes(16))), "identity.wrong-class")
    key = published_signer().public
    assert isinstance(key, PublicKey)
    known = Anchor(IMAGES, 0xFFFF_FFFF, key.key_id, key.x + key.y)
    yield Case(
        "anchors-published-key",
        signed(following(anchors=(*factory().anchors, known))),
        "trust.example-key",
        device_first="accepted",
    )
    yield Case("anchors-apex-names-another", signed(following(apex=point("keys/apex-2"))), "rules.apex-change")
    spare = public_key("keys/contingency-2").thumbprint
    yield Case("anchors-apex-names-contingency", signed(following(contingency=spare)), "rules.apex-change")
    yield Case("anchors-apex-drops-contingency", signed(following(contingency=bytes(32))), "rules.apex-change")
    first = 1 << GENERATION
    new = following(apex=point("keys/apex-2"), contingency=spare, number=first)
    yield Case("anchors-by-contingency", signed(new, by="keys/contingency"), "accepted")
    last = following(apex=point("keys/apex-2"), contingency=bytes(32), number=first)
    yield Case("anchors-by-contingency-the-last", signed(last, by="keys/contingency"), "accepted")
    yield Case(
        "anchors-by-contingency-same-apex",
        signed(following(contingency=spare), by="keys/contingency"),
        "rules.apex-change",
    )
    kept = following(apex=point("keys/apex-2"))
    yield Case("anchors-by-contingency-not-spent", signed(kept, by="keys/contingency"), "rules.apex-change")
    none = following(apex=bytes(64), contingency=bytes(32))
    yield Case("anchors-by-contingency-no-apex", signed(none, by="keys/contingency"), "rules.apex-change")
    swapped = following(apex=point("keys/apex-2"), contingency=public_key("keys/apex").thumbprint, number=first)
    yield Case("anchors-by-contingency-old-apex-is-spare", signed(swapped, by="keys/contingency"), "rules.apex-change")
    swapped = following(apex=point("keys/contingency"), contingency=spare, number=first)
    yield Case("anchors-by-contingency-itself-is-apex", signed(swapped, by="keys/contingency"), "rules.apex-change")
    for name, number in (
        ("same-generation", 1),
        ("highest-of-it", first - 1),
        ("two-on", 2 * first),
        ("highest", 0xFFFF_FFFF),
    ):
        raw = signed(new._replace(number=number), by="keys/contingency")
        yield Case(f"anchors-by-contingency-number-{name}", raw, "rollback.trust-number")
    raw = signed(new._replace(number=2 * first - 1), by="keys/contingency")
    yield Case("anchors-by-contingency-number-last", raw, "accepted")
    for name, number, found in (
        ("0", 0, "rollback.trust-number"), ("last", first - 1, "accepted"), ("next-generation", first, "rollback.trust-number"),
        ("highest", 0xFFFF_FFFF, "rollback.trust-number"),
    ):  # fmt: skip
        yield Case(f"anchors-number-{name}", signed(following(number=number)), found)
    yield Case("anchors-the-factory-s-again", signed(factory()), "accepted")


def _with_third() -> AnchorSet:
    return following(anchors=(*following().anchors, anchor(IMAGES, "keys/third")))


def _rotation() -> Iterator[Case]:
    """Mid-fleet: devices that run something, that missed steps, that have revoked."""
    first, second_id = signed(following()), public_key("keys/second").key_id
    images_id = public_key("keys/images").key_id
    without = tuple(a for a in following().anchors if a.key_id != images_id)
    rotated = following(number=2, anchors=without, revoked=(images_id,))
    after = signed(rotated)
    runs = held()
    yield Case("anchors-second-step", after, "accepted", anchors=first)
    yield Case("anchors-missed-a-step", after, "accepted")
    yield Case("anchors-in-use", after, "rules.trust-in-use", device=device(), held=runs, anchors=first)
    moved = {
        slot: resealed(data, by=("keys/second",))
        for slot, data in runs.items()
        if slot in ("app-a", "radio", "table", "large")
    }
    moved["plain-head"] = resealed(runs["plain-head"], by=("keys/second",))
    moved = {**runs, **moved}
    yield Case("anchors-not-in-use", after, "accepted", device=device(), held=moved, anchors=first)
    one_left = {**moved, "radio": runs["radio"]}
    yield Case("anchors-one-image-in-use", after, "rules.trust-in-use", device=device(), held=one_left, anchors=first)
    need = following(number=2, need_images=2)
    yield Case(
        "anchors-two-needed-one-has-signed",
        signed(need),
        "rules.trust-in-use",
        device=device(),
        held=runs,
        anchors=first,
    )
    radio_only = tuple(a for a in following().anchors if a.key_id not in (images_id, second_id))
    limited = following(number=2, anchors=(*radio_only, anchor(IMAGES, "keys/second", 1 << 1)))
    yield Case(
        "anchors-limited-below-use", signed(limited), "rules.trust-in-use", device=device(), held=moved, anchors=first
    )
    trial = {
        "sequence": 9, "manifest_digest": "00" * 32, "way_back": True, "attempts_left": 2, "power_ons_left": 20, "previous": {}, "kept": [],
    }  # fmt: skip
    yield Case("anchors-in-trial", signed(following()), "rules.trial-open", device=device(trial=trial), held=runs)
    yield Case("anchors-step-back", first, "rules.revocation-undone", anchors=after)
    yield Case("anchors-the-same-again", after, "accepted", anchors=after)
    other = signed(following(number=2, anchors=without, revoked=(images_id, public_key("gone").key_id)))
    yield Case("anchors-another-of-this-number", other, "rollback.trust-number", anchors=after)
    undone = signed(following(number=3))
    yield Case("anchors-revocation-undone", undone, "rules.revocation-undone", anchors=after)
    anew = following(apex=point("keys/apex-2"), contingency=bytes(32), number=1 << GENERATION)
    yield Case("anchors-by-contingency-starts-anew", signed(anew, by="keys/contingency"), "accepted", anchors=after)
    two = resealed(runs["radio"], by=("keys/images", "keys/third"))
    limit = following(anchors=(*following().anchors, anchor(IMAGES, "keys/third", 1 << 0)))
    of_two = {**runs, "radio": two}
    yield Case("anchors-adds-a-signer", signed(_with_third()), "accepted", device=device(), held=of_two)
    yield Case("anchors-adds-a-limited-signer", signed(limit), "rules.trust-in-use", device=device(), held=of_two)
    spoiled = bytearray(two)
    spoiled[384 + 64 + 5] ^= 1  # passed over as long as nobody knows the key
    bad = {**runs, "radio": bytes(spoiled)}
    yield Case(
        "anchors-adds-a-signer-that-lied", signed(_with_third()), "rules.trust-in-use", device=device(), held=bad
    )
    nothing = following(
        anchors=(*(a for a in following().anchors if a.key_id != images_id), anchor(IMAGES, "keys/images", 1 << 20))
    )
    yield Case("trust-mask-of-no-component", runs["radio"], "trust.key-not-for-this", anchors=signed(nothing))
    yield Case("trust-after-revocation", runs["radio"], "trust.unknown-key", anchors=after)
    yield Case("trust-after-rotation", moved["radio"], "accepted", anchors=after)
    yield Case("trust-before-rotation", moved["radio"], "trust.unknown-key")


def _deliveries() -> Iterator[Case]:
    """The role of keys that sign deliveries and nothing else."""
    own, every = public_key("keys/deliveries").key_id, delivering().anchors
    first = signed(delivering())
    yield Case("anchors-deliveries", first, "accepted")
    yield Case("anchors-deliveries-two", signed(delivering(anchor(DELIVERIES, "keys/other"))), "accepted")
    yield Case("anchors-deliveries-but-no-packages", patched(HEAD + 3 * ENTRY, b"\x03"), NEEDED)
    yield Case("anchors-deliveries-are-no-packages", signed(delivering(need_packages=2)), NEEDED)
    yield Case("anchors-deliveries-limited", patched(HEAD + 4 * ENTRY + 4, b"\x01\0\0\0", delivering()), NEEDED)
    yield Case("anchors-deliveries-good-for-nothing", patched(HEAD + 4 * ENTRY + 4, bytes(4), delivering()), NEEDED)
    yield Case("anchors-deliveries-reserved", patched(HEAD + 4 * ENTRY + 1, b"\x01", delivering()), NEEDED)
    yield Case("anchors-deliveries-identifier", patched(HEAD + 4 * ENTRY + 8, b"\0\0", delivering()), NEEDED)
    entries = [encode_set(delivering())[HEAD + ENTRY * i : HEAD + ENTRY * (i + 1)] for i in range(5)]
    head = encode_set(delivering())[:HEAD]
    yield Case(
        "anchors-deliveries-before-packages", signed(head + b"".join((*entries[:3], entries[4], entries[3]))), NEEDED
    )
    yield Case("anchors-deliveries-twice", signed(delivering(anchor(DELIVERIES, "keys/deliveries"))), NEEDED)
    for role, name in (("images", "keys/images"), ("packages", "keys/packages")):
        both = delivering(anchor(DELIVERIES, name))
        yield Case(f"anchors-deliveries-and-{role}", signed(both), NEEDED)
    for name in ("apex", "contingency"):
        yield Case(f"anchors-{name}-signs-deliveries", signed(delivering(anchor(DELIVERIES, f"keys/{name}"))), NEEDED)
    yield Case("anchors-deliveries-trusted-and-revoked", signed(delivering(revoked=(own,))), NEEDED)
    yield Case(
        "anchors-by-the-deliveries-key",
        signed(delivering(number=2), by="keys/deliveries"),
        "trust.not-by-apex",
        anchors=first,
    )
    without = signed(following(number=2, revoked=(own,)))
    yield Case("anchors-deliveries-revoked", without, "accepted", anchors=first)
    yield Case("anchors-deliveries-back", signed(delivering(number=3)), "rules.revocation-undone", anchors=without)
    moved = tuple(a._replace(role=DELIVERIES) if a.key_id == public_key("keys/images").key_id else a for a in every)
    of_another = signed(following(number=2, anchors=moved))
    yield Case(
        "anchors-images-key-only-delivers",
        of_another,
        "rules.trust-in-use",
        device=device(),
        held=held(),
        anchors=first,
    )
    by_it = resealed(held()["radio"], by=("keys/deliveries",))
    yield Case("trust-image-by-the-deliveries-key", by_it, "trust.unknown-key", anchors=first)
