"""The checks of an update package, in their order; SUIT manifest draft -37, section 6.2."""

from collections.abc import Iterator

from imgseal.check import manifest_rules as rules
from imgseal.check.blocks import algorithm_of, idle, kind_of_block, signer_of, verifies
from imgseal.check.context import Context
from imgseal.check.installation import installation, shared
from imgseal.check.package_subject import PackageSubject
from imgseal.check.runner import Check
from imgseal.check.trusted_signers import for_another_role, of_everyone, of_the_desk, too_few, unusable_for_packages
from imgseal.errors import Place
from imgseal.findings import Finding, said_by
from imgseal.formats.cose.sign1 import CoseError, Sign1, read_block
from imgseal.formats.suit.envelope import wrapped_digest
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.published import published_keys
from imgseal.keys.trusted_keys import PACKAGES, TrustedKey
from imgseal.product.algorithms import KEY_NAMES, ML_DSA_44, P256, SIGNATURE_BYTES


def envelope(subject: PackageSubject, _context: Context) -> Finding | None:
    """The envelope is deterministic CBOR with known members only."""
    if subject.envelope_error is None:
        return None
    return said_by("structure.envelope", subject.envelope_error)


def blocks(subject: PackageSubject, context: Context) -> Finding | None:
    """Every authentication block has its one encoding, and at least one is of an allowed algorithm."""
    encoded = subject.envelope.blocks
    if not encoded:
        return Finding(
            "trust.no-signature",
            "the package is not signed",
            Place(key="authentication"),
            expected="at least one COSE_Sign1",
            found="none",
            hint="pack it with imgseal build or imgseal pack",
        )
    allowed = context.product.rules.algorithms
    skipped = []
    for number, data in enumerate(encoded):
        try:
            block = read_block(data)
        except CoseError as error:
            place = Place(key=f"authentication.block[{number}]", offset=error.place.offset)
            return said_by("structure.envelope", error)._replace(place=place)
        name = algorithm_of(block)
        if name in allowed:
            subject.blocks.append((number, block))
        else:
            subject.idle.append((number, block))
            skipped.append(name)
    if subject.blocks:
        return None
    return Finding(
        "trust.algorithm-not-allowed",
        "no signature is of an allowed algorithm",
        Place(key="authentication"),
        expected=" or ".join(allowed),
        found=", ".join(skipped),
        hint="sign it with a key that rules.algorithms of the product file has an algorithm for",
    )


def manifest_digest(subject: PackageSubject, _context: Context) -> Finding | None:
    """The digest in the wrapper is that of the manifest; section 8.3."""
    envelope_ = subject.envelope
    found = wrapped_digest(envelope_.manifest)
    if envelope_.digest == found:
        return None
    return Finding(
        "signature.manifest-digest",
        "the manifest is not the one that was signed",
        Place(key="authentication.digest"),
        expected=f"{envelope_.digest.value.hex()} (algorithm {envelope_.digest.algorithm})",
        found=f"{found.value.hex()} (SHA-256 of the manifest)",
        hint="the package was changed after signing: get it again from its source",
    )


def signature(subject: PackageSubject, context: Context) -> Iterator[Finding]:
    """Enough distinct trusted keys have signed the digest, for each algorithm that must verify by itself.

    Blocks carry no key identifier, so each anchor of the algorithm's kind is tried.
    """
    trust = context.trust
    released = trust.anchors(PACKAGES, development=False)
    desk = trust.anchors(PACKAGES, development=True) if context.development else ()
    message = subject.envelope.digest_bytes
    malformed: dict[str, Finding] = {}
    for number, block in subject.blocks:
        try:
            anchor = signer_of(block, message, (*released, *desk))
        except BadSignatureError as error:
            subject.idle.append((number, block))
            place = Place(key=f"authentication.block[{number}]")
            kind = kind_of_block(block)
            malformed[kind] = Finding(
                "signature.malformed",
                str(error),
                place,
                expected=_SHAPES[kind],
                hint="make the package again: imgseal build",
            )
            continue
        if anchor is None:
            subject.idle.append((number, block))
            continue
        refused = unusable_for_packages(anchor, context, "[trust.packages]")
        if refused is not None:
            yield refused
            return
        if anchor.public in {signer.public for signer in subject.signers}:
            subject.idle.append((number, block))
        else:
            subject.signers.append(anchor)
    subject.development = all(signer.development for signer in subject.signers)
    need = 1 if subject.development else trust.need_packages
    counting = [signer for signer in subject.signers if signer.development == subject.development]
    for kind in context.product.rules.required:
        signers = [signer.source for signer in counting if signer.public.kind == kind]
        others = [block for _, block in subject.blocks if kind_of_block(block) == kind]
        if len(signers) >= need:
            continue
        if not others or any(signer.public.kind == kind for signer in subject.signers):
            yield too_few(KEY_NAMES[kind], need, ", ".join(signers) or "none", "packages", context)
        else:
            yield malformed.get(kind) or _nobody(others, message, context, (*released, *desk))


_SHAPES = {P256: "r and s in 1..n-1, 32 bytes each", ML_DSA_44: f"{SIGNATURE_BYTES[ML_DSA_44]} bytes"}


def _nobody(blocks_: list[Sign1], message: bytes, context: Context, anchors: tuple[TrustedKey, ...]) -> Finding:
    """Say as well as possible who has signed instead; all blocks are of one kind."""
    block = blocks_[0]
    kind = kind_of_block(block)
    for key, origin in published_keys(kind).items():
        if verifies(key, block, message):
            return of_everyone(origin, Place(key="authentication"))
    hint = "sign it with a key of [trust.packages]; if it came from elsewhere, do not use it"
    for anchor in context.trust.keys:
        if anchor not in anchors and verifies(anchor.public, block, message):
            hint = of_the_desk(anchor) if anchor.role == PACKAGES else for_another_role(anchor, PACKAGES)
    return Finding(
        "signature.wrong-key",
        "no trusted key verifies the signature",
        Place(key="authentication"),
        expected=", ".join(anchor.source for anchor in anchors if anchor.public.kind == kind)
        or "no key is trusted at all",
        found=f"{len(blocks_)} by others" if len(blocks_) > 1 else "one by another key",
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
    Check("idle", "trust", _SIGNED, idle),
    Check("manifest", "structure", _SIGNED, rules.manifest),
    Check("severed", "signature", ("manifest",), rules.severed),
    Check("members", "structure", ("severed",), rules.members),
    Check("components", "identity", ("severed",), rules.components),
    Check("shared", "identity", _KNOWN, shared),
    Check("supported", "rules", _READ, rules.supported),
    Check("conditions", "rules", _READ, rules.conditions),
    Check("authorisation", "rules", _KNOWN, rules.authorisation),
    Check("history", "rules", _READ, rules.history),
    Check("sequence", "rollback", _READ, rules.sequence),
    Check("installation", "digest", ("shared", "supported", "history", "sequence"), installation),
    Check("profile", "rules", ("manifest",), rules.profile),
)
"""Checks of a package, before those of its images. The manifest is parsed only after its signature holds."""
