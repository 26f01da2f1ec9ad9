"""The checks of a delivery, before anything in it counts: who signed it, its form, and the release inside it."""

from imgseal.check.blocks import algorithm_of, signer_of
from imgseal.check.context import Context
from imgseal.check.delivery_subject import DeliverySubject
from imgseal.check.envelope import manifest_digest
from imgseal.check.package_subject import PackageSubject
from imgseal.check.runner import Check
from imgseal.check.trusted_signers import unusable
from imgseal.errors import Place
from imgseal.findings import Finding, said_by
from imgseal.formats.cose.sign1 import CoseError, read_block
from imgseal.formats.suit import labels
from imgseal.formats.suit.delivery import RELEASE_KEY, decode_delivery, key_of
from imgseal.formats.suit.errors import SuitError
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.trusted_keys import TrustedKey
from imgseal.window import ByteView


def signature(subject: DeliverySubject, context: Context) -> Finding | None:
    """One trusted key for deliveries has signed; without any in the product file, one for packages.

    One is enough, whatever is needed of packages: it vouches for the wrapping, the release is signed by itself.
    """
    message = subject.envelope.digest_bytes
    anchors = context.trust.deliverers(development=False)
    anchors += context.trust.deliverers(development=True) if context.development else ()
    found = []
    for number, data in enumerate(subject.envelope.blocks):
        place = Place(key=f"authentication.block[{number}]")
        try:
            block = read_block(data)
            signer = signer_of(block, message, anchors)
        except CoseError as error:
            return said_by("structure.envelope", error)._replace(place=place)
        except BadSignatureError as error:
            return Finding(
                "signature.malformed", str(error), place, hint="make the delivery again: imgseal deliver RELEASE.suit"
            )
        if signer is not None:
            refused = unusable(signer, context)
            if refused is None:
                subject.signer = signer
                return None
            return refused
        found.append(algorithm_of(block))
    return _nobody(subject, context, anchors, found)


def _nobody(subject: DeliverySubject, context: Context, anchors: tuple[TrustedKey, ...], found: list[str]) -> Finding:
    hint = "make it with imgseal deliver; if it came from elsewhere, do not use it"
    if not found:
        return Finding(
            "trust.no-signature", "the delivery is not signed", Place(key="authentication"),
            "at least one COSE_Sign1", "none", hint,
        )  # fmt: skip
    for anchor in context.trust.keys:
        if anchor in anchors:
            continue
        for data in subject.envelope.blocks:
            if signer_of(read_block(data), subject.envelope.digest_bytes, (anchor,)) is not None:
                hint = (
                    f"this is {anchor.source}, which the product file trusts for {anchor.role} only: sign with a key "
                    "that devices take deliveries by (trust.deliveries, or without any a key for packages)"
                )
    return Finding(
        "signature.wrong-key",
        "no trusted key verifies the signature of the delivery",
        Place(key="authentication"),
        expected=", ".join(anchor.source for anchor in anchors) or "no key is trusted at all",
        found=f"{len(found)} by another key",
        hint=hint,
    )


def digest(subject: DeliverySubject, context: Context) -> Finding | None:
    """The digest in the wrapper is that of the delivery's manifest."""
    return manifest_digest(subject.opened, context)


def manifest(subject: DeliverySubject, _context: Context) -> Finding | None:
    """The manifest has the one form that deliveries have."""
    try:
        subject.delivery = decode_delivery(subject.envelope.manifest)
    except SuitError as error:
        return said_by("structure.manifest", error)
    return None


def members(subject: DeliverySubject, _context: Context) -> list[Finding]:
    """The envelope holds the release, what each step fetches, and nothing else."""
    wanted = {RELEASE_KEY, *(key_of(index) for index in range(len(subject.delivery.steps)))}
    there = {*subject.envelope.payloads, *(labels.MANIFEST_MEMBERS[label] for label in subject.envelope.severed)}
    out = [
        Finding(
            "structure.unsigned-member",
            f"nothing that is signed refers to {extra!r}",
            Place(key="envelope"),
            "what the delivery's manifest fetches",
            extra,
            "it was added after signing: get the delivery again from its source",
        )
        for extra in sorted(there - wanted)
    ]
    out += [
        Finding(
            "rules.directive-failed",
            "what a step of the delivery fetches is not in it",
            Place(key="envelope"),
            f"a payload {missing!r}",
            "none",
            "get the delivery again from its source",
        )
        for missing in sorted(wanted - there)
    ]
    return out


def identity(subject: DeliverySubject, context: Context) -> list[Finding]:
    """The delivery is for devices of this vendor and class."""
    product, delivery = context.product, subject.delivery
    asked = (
        ("identity.wrong-vendor", "vendor", delivery.vendor_id, product.vendor_id),
        ("identity.wrong-class", "class", delivery.class_id, product.class_id),
    )
    return [
        Finding(
            code,
            f"the delivery is for devices of another {what}",
            Place(key="shared"),
            expected.hex(),
            found.hex(),
            "use the product file that the release was made with: --product FILE",
        )
        for code, what, found, expected in asked
        if found != expected
    ]


def release(subject: DeliverySubject, _context: Context) -> Finding | None:
    """The release inside is the one that the delivery names, with its sequence, and without payloads of its own."""
    inside = PackageSubject(ByteView(subject.envelope.payloads[RELEASE_KEY]))
    if inside.envelope_error is not None:
        return said_by("structure.envelope", inside.envelope_error)._replace(place=Place(key="the release inside"))
    named = subject.delivery.release
    if inside.envelope.digest.value != named:
        return Finding(
            "signature.manifest-digest",
            "the release inside is not the one that the delivery names",
            Place(key="the release inside"),
            named.hex(),
            inside.envelope.digest.value.hex(),
            "the release in the delivery was exchanged: get the delivery again from its source",
        )
    if inside.envelope.payloads:
        return Finding(
            "structure.unsigned-member",
            "the release inside has payloads: a delivery brings them itself",
            Place(key="the release inside"),
            "none",
            ", ".join(inside.envelope.payloads),
            "make the delivery again: imgseal deliver RELEASE.suit",
        )
    subject.release = inside
    return None


DELIVERY_ORDER: tuple[Check[DeliverySubject], ...] = (
    Check("digest", "signature", (), digest),
    Check("signature", "signature", ("digest",), signature),
    Check("manifest", "structure", ("signature",), manifest),
    Check("members", "structure", ("manifest",), members),
    Check("identity", "identity", ("manifest",), identity),
    Check("release", "signature", ("members",), release),
)
"""Checks of a delivery, before those of the release inside it."""
