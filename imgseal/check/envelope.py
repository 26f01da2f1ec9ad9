"""The checks of an update package, in their order; SUIT manifest draft -37, section 6.2."""

from collections.abc import Iterable

from imgseal.check import manifest_rules as rules
from imgseal.check.context import Context
from imgseal.check.package_subject import PackageSubject
from imgseal.check.runner import Check
from imgseal.check.trust import ALGORITHM_NAMES, example_key, revoked_key
from imgseal.cose.labels import ALGORITHMS
from imgseal.cose.sign1 import CoseError, Sign1, take_apart, to_be_signed
from imgseal.errors import InputError, Place
from imgseal.findings import Finding
from imgseal.keys.p256 import BadSignatureError, PublicKey, verify
from imgseal.keys.published import published_keys
from imgseal.keys.trust import PACKAGES, TrustedKey
from imgseal.suit.envelope import wrapped_digest

__all__ = ["PACKAGE_ORDER"]


def envelope(subject: PackageSubject, _context: Context) -> list[Finding]:
    """The envelope is deterministic CBOR with known members only."""
    if subject.envelope_error is None:
        return []
    return [as_finding("structure.envelope", subject.envelope_error)]


def as_finding(code: str, error: InputError) -> Finding:
    """Turn a reader's error into a finding."""
    return Finding(code, error.message, error.place, error.expected, error.found, error.hint)


def blocks(subject: PackageSubject, context: Context) -> list[Finding]:
    """At least one authentication block is a COSE_Sign1 of an allowed algorithm; others are skipped."""
    encoded = subject.envelope.blocks
    if not encoded:
        return [
            Finding(
                "trust.no-signature",
                "the package is not signed",
                Place(key="authentication"),
                expected="at least one COSE_Sign1",
                found="none",
                hint="pack it with imgseal build or imgseal pack",
            )
        ]
    allowed = context.product.rules.algorithms
    skipped = []
    for number, data in enumerate(encoded):
        try:
            block = take_apart(data)
        except CoseError as error:
            place = Place(key=f"authentication.block[{number}]", offset=error.place.offset)
            return [as_finding("structure.envelope", error)._replace(place=place)]
        if block.algorithm is None:
            skipped.append(block.structure)
        elif ALGORITHM_NAMES.get(block.algorithm) in allowed:
            subject.blocks.append(block)
        else:
            skipped.append(ALGORITHMS.get(block.algorithm, f"algorithm {block.algorithm}"))
    if subject.blocks:
        return []
    return [
        Finding(
            "trust.algorithm-not-allowed",
            "no signature is of an allowed algorithm",
            Place(key="authentication"),
            expected=" or ".join(allowed),
            found=", ".join(skipped),
            hint="rules.algorithms of the product file decides, never the message",
        )
    ]


def manifest_digest(subject: PackageSubject, _context: Context) -> list[Finding]:
    """The digest in the wrapper is that of the manifest; section 8.3."""
    envelope_ = subject.envelope
    found = wrapped_digest(envelope_.manifest)
    if envelope_.digest == found:
        return []
    return [
        Finding(
            "signature.manifest-digest",
            "the manifest is not the one that was signed",
            Place(key="authentication.digest"),
            expected=f"{envelope_.digest.value.hex()} (algorithm {envelope_.digest.algorithm})",
            found=f"{found.value.hex()} (SHA-256 of the manifest)",
            hint="the package was changed after signing: get it again from its source",
        )
    ]


def signature(subject: PackageSubject, context: Context) -> list[Finding]:
    """Enough distinct trusted keys have signed the digest. Blocks carry no key identifier, so each anchor is tried."""
    trust = context.trust
    released = trust.anchors(PACKAGES, development=False)
    desk = trust.anchors(PACKAGES, development=True) if context.development else ()
    message = subject.envelope.digest_bytes
    malformed: Finding | None = None
    for number, block in enumerate(subject.blocks):
        try:
            anchor = _signer_of(block, message, (*released, *desk))
        except BadSignatureError as error:
            place = Place(key=f"authentication.block[{number}]")
            malformed = Finding(
                "signature.malformed",
                str(error),
                place,
                expected="r and s in 1..n-1, 32 bytes each",
                hint="build and sign the package again",
            )
            continue
        if anchor is None:
            continue
        refused = example_key(anchor, context) or revoked_key(anchor, context)
        if refused is None and not anchor.good_for(None, context.product.class_name):
            refused = Finding(
                "trust.key-not-for-this",
                "the key is trusted, but not for this class",
                Place(file=anchor.source),
                expected=", ".join(anchor.classes),
                found=context.product.class_name,
                hint="sign with a key that [trust.packages] names for this class",
            )
        if refused is not None:
            return [refused]
        if anchor.public not in {signer.public for signer in subject.signers}:
            subject.signers.append(anchor)
    count = sum(not signer.development for signer in subject.signers)
    subject.development = count == 0
    if count >= trust.need_packages or (subject.development and subject.signers):
        return []
    if subject.signers:
        return [
            Finding(
                "trust.too-few-signatures",
                "fewer trusted keys have signed than are needed",
                expected=f"{trust.need_packages} distinct keys",
                found=", ".join(signer.source for signer in subject.signers),
                hint="let the others sign as well; trust.packages.need states how many",
            )
        ]
    return [malformed or _nobody(subject, context, released, desk)]


def _signer_of(block: Sign1, message: bytes, anchors: Iterable[TrustedKey]) -> TrustedKey | None:
    """Return the anchor whose key verifies a block; BadSignatureError when the value could be none of any key."""
    for anchor in anchors:
        if _verifies(anchor.public, block, message):
            return anchor
    return None


def _verifies(key: PublicKey, block: Sign1, message: bytes) -> bool:
    try:
        verify(key, to_be_signed(block.protected, message), block.signature)
    except BadSignatureError as error:
        if error.malformed:
            raise
        return False
    return True


def _nobody(
    subject: PackageSubject, context: Context, released: tuple[TrustedKey, ...], desk: tuple[TrustedKey, ...]
) -> Finding:
    """Say as well as possible who has signed instead."""
    block, message = subject.blocks[0], subject.envelope.digest_bytes
    for key, origin in published_keys().items():
        if _verifies(key, block, message):
            return Finding(
                "trust.example-key",
                "signed with a key that everyone has",
                Place(key="authentication"),
                expected="a key whose private half is secret",
                found=f"the key of {origin}",
                hint="sign with a key of your own: imgseal key new FILE",
            )
    hint = "sign it with a key of [trust.packages]; if it came from elsewhere, do not use it"
    for anchor in context.trust.keys:
        if anchor not in released and anchor not in desk and _verifies(anchor.public, block, message):
            hint = f"this is {anchor.source}, which the product file trusts for {anchor.role} only"
            if anchor.role == PACKAGES:
                hint = f"this is the development key {anchor.source}: build with --release, or judge with --development"
    return Finding(
        "signature.wrong-key",
        "no trusted key verifies the signature",
        Place(key="authentication"),
        expected=", ".join(anchor.source for anchor in (*released, *desk)) or "no key is trusted at all",
        found=f"{len(subject.blocks)} signature(s) by others",
        hint=hint,
    )


_SIGNED = ("signature",)
_READ = ("members",)
_KNOWN = ("components",)

PACKAGE_ORDER: tuple[Check[PackageSubject], ...] = (
    Check("envelope", "structure", (), envelope),
    Check("blocks", "trust", ("envelope",), blocks),
    Check("digest", "signature", ("envelope",), manifest_digest),
    Check("signature", "signature", ("blocks", "digest"), signature),
    Check("manifest", "structure", _SIGNED, rules.manifest),
    Check("severed", "signature", ("manifest",), rules.severed),
    Check("members", "structure", ("severed",), rules.members),
    Check("components", "identity", _READ, rules.components),
    Check("shared", "identity", _KNOWN, rules.shared),
    Check("supported", "rules", _READ, rules.supported),
    Check("conditions", "rules", _READ, rules.conditions),
    Check("authorisation", "rules", _KNOWN, rules.authorisation),
    Check("history", "rules", _READ, rules.history),
    Check("sequence", "rollback", _READ, rules.sequence),
    Check("installation", "digest", ("shared", "supported", "history", "sequence"), rules.installation),
)
"""Checks of a package, before those of its images. The manifest is parsed only after its signature holds."""
