"""The checks of a delivery, before anything in it counts: who signed it, its form, and the release inside it."""

from imgseal.check.blocks import signer_of, verifies
from imgseal.check.context import Context
from imgseal.check.delivery_subject import DeliverySubject
from imgseal.check.envelope import blocks as blocks_of
from imgseal.check.envelope import manifest_digest
from imgseal.check.package_subject import PackageSubject
from imgseal.check.runner import Check
from imgseal.check.trusted_signers import unusable_for_packages
from imgseal.errors import Place
from imgseal.findings import Finding, said_by
from imgseal.formats.suit import labels
from imgseal.formats.suit.delivery import RELEASE_KEY, decode_delivery, key_of
from imgseal.formats.suit.errors import SuitError
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.trusted_keys import TrustedKey
from imgseal.window import ByteView


def blocks(subject: DeliverySubject, context: Context) -> Finding | None:
    """Every authentication block has its one encoding, and at least one is of an algorithm that the rules list."""
    found = blocks_of(subject.opened, context)
    if found is None or found.code != "trust.no-signature":
        return found
    return found._replace(message="the delivery is not signed", hint="make it with imgseal deliver")


def signature(subject: DeliverySubject, context: Context) -> Finding | None:
    """One trusted key for deliveries has signed; without any in the product file, one for packages.

    One is enough, whatever is needed of packages: it vouches for the wrapping, the release is signed by itself.
    """
    message = subject.envelope.digest_bytes
    anchors = context.trust.deliverers(development=False)
    anchors += context.trust.deliverers(development=True) if context.development else ()
    malformed: Finding | None = None
    for number, block in subject.opened.blocks:
        try:
            signer = signer_of(block, message, anchors)
        except BadSignatureError as error:
            malformed = Finding(
                "signature.malformed", str(error), Place(key=f"authentication.block[{number}]"),
                hint="make the delivery again: imgseal deliver RELEASE.suit",
            )  # fmt: skip
            continue
        if signer is None:
            continue
        refused = unusable_for_packages(signer, context, "the product file")
        if refused is not None:
            return refused
        subject.signer = subject.signer or signer
    return None if subject.signer else malformed or _nobody(subject, context, anchors)


def _nobody(subject: DeliverySubject, context: Context, anchors: tuple[TrustedKey, ...]) -> Finding:
    hint = "make it with imgseal deliver; if it came from elsewhere, do not use it"
    for anchor in context.trust.keys:
        if anchor not in anchors and any(
            verifies(anchor.public, block, subject.envelope.digest_bytes) for _, block in subject.opened.blocks
        ):
            hint = (
                f"this is {anchor.source}, which the product file trusts for {anchor.role} only: sign with a key "
                "that devices take deliveries by (trust.deliveries, or without any a key for packages)"
            )
    return Finding(
        "signature.wrong-key",
        "no trusted key verifies the signature of the delivery",
        Place(key="authentication"),
        expected=", ".join(anchor.source for anchor in anchors) or "no key is trusted at all",
        found=f"{len(subject.opened.blocks)} by another key",
        hint=hint,
    )


def digest(subject: DeliverySubject, context: Context) -> Finding | None:
    """The digest in the wrapper is that of the delivery's manifest."""
    return manifest_digest(subject.opened, context)


def manifest(subject: DeliverySubject, context: Context) -> Finding | None:
    """The manifest has the one form that deliveries have, and no more steps than devices have room for."""
    try:
        subject.delivery = decode_delivery(subject.envelope.manifest)
    except SuitError as error:
        return said_by("structure.manifest", error)
    steps, most = len(subject.delivery.steps), context.product.delivery_steps
    if steps <= most:
        return None
    return Finding(
        "rules.too-many-steps",
        "the delivery has more steps than devices have room for",
        Place(key="common.components"),
        f"at most {most}",
        str(steps),
        "make it from fewer releases, or for one device; steps of [delivery] in the product file is the limit",
    )


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
        ("identity.wrong-vendor", "vendor", delivery.vendor_id, product.vendor_id, product.vendor),
        ("identity.wrong-class", "class", delivery.class_id, product.class_id, product.class_name),
    )
    return [
        Finding(
            code,
            f"the delivery is for devices of another {what}",
            Place(key="shared"),
            f"{expected.hex()} ({name})",
            found.hex(),
            "use the product file that the release was made with: --product FILE",
        )
        for code, what, found, expected, name in asked
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
    Check("blocks", "trust", (), blocks),
    Check("digest", "signature", (), digest),
    Check("signature", "signature", ("blocks", "digest"), signature),
    Check("manifest", "structure", ("signature",), manifest),
    Check("members", "structure", ("manifest",), members),
    Check("identity", "identity", ("manifest",), identity),
    Check("release", "signature", ("members",), release),
)
"""Checks of a delivery, before those of the release inside it."""
