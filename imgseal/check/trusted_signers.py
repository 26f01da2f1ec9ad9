"""Trust for sealed images, and their signatures: who must have signed is local policy, never taken from the message.

Until `signature` the statement is not yet verified. Its fields can only make the others refuse sooner, never accept.
"""

from collections.abc import Iterator

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject, in_statement
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.public_key import SEALED_NUMBERS, verify
from imgseal.keys.published import published_keys
from imgseal.keys.trusted_keys import IMAGES, TrustedKey
from imgseal.product.algorithms import KEY_NAMES


def algorithm(subject: ImageSubject, context: Context) -> Finding | None:
    """At least one signature is of an algorithm that the rules allow; slots of other algorithms are skipped.

    Old devices so take images that carry a newer signature as well. A P-256 key signs images as ESP256, whichever of
    its two names packages use.
    """
    slots = subject.statement.signatures
    allowed = _allowed(context)
    if any(slot.algorithm in allowed for slot in slots):
        return None
    return Finding(
        "trust.algorithm-not-allowed",
        "no signature is of an allowed algorithm",
        in_statement("signature_0_algorithm"),
        expected=" or ".join(f"{KEY_NAMES[kind]} ({number})" for number, kind in allowed.items()),
        found=", ".join(str(slot.algorithm) for slot in slots),
        hint="sign the image again with a key that rules.algorithms has an algorithm for",
    )


def key(subject: ImageSubject, context: Context) -> list[Finding]:
    """Enough distinct trusted keys, each good for this component and class, are named by the signature slots.

    Enough is counted for each algorithm that must verify by itself.
    """
    statement = subject.statement
    anchors = list(context.trust.anchors(IMAGES, development=False))
    if context.development:
        anchors += context.trust.anchors(IMAGES, development=True)
    component = subject.component(context.product)
    findings: list[Finding] = []
    candidates: list[tuple[int, TrustedKey]] = []
    unknown: list[tuple[int, bytes]] = []
    allowed = _allowed(context)
    kinds = [allowed.get(slot.algorithm, "") for slot in statement.signatures]
    for index, slot in enumerate(statement.signatures):
        if not kinds[index]:
            continue
        anchor = next((a for a in anchors if a.key_id == slot.key_id and a.public.kind == kinds[index]), None)
        if anchor is None:
            unknown.append((index, slot.key_id))
            continue
        found = unusable(anchor, context)
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
        return [_unknown(index, kinds[index], key_id, anchors, context) for index, key_id in unknown]
    need = context.trust.need_images if not candidates[0][1].development else 1
    for kind in context.product.rules.required:
        distinct = {anchor.public for _, anchor in candidates if anchor.public.kind == kind}
        foreign = [(index, key_id) for index, key_id in unknown if kinds[index] == kind]
        if not distinct and foreign:
            findings += [_unknown(index, kinds[index], key_id, anchors, context) for index, key_id in foreign]
        elif len(distinct) < need:
            findings.append(too_few(KEY_NAMES[kind], need, str(len(distinct)), "images", context))
    return findings


def signature(subject: ImageSubject, _context: Context) -> Iterator[Finding]:
    """Verify each candidate's signature (FIPS 186-5 section 6.4.2, FIPS 204 algorithm 3).

    One that fails is never outvoted by another, also not where its algorithm need not be there.
    """
    block = subject.header
    assert block is not None
    offsets = [STATEMENT_BYTES]
    for value in block.signatures:
        offsets.append(offsets[-1] + len(value))
    for index, anchor in subject.candidates:
        try:
            verify(anchor.public, block.statement_bytes, block.signatures[index])
        except BadSignatureError as error:
            yield Finding(
                "signature.malformed" if error.malformed else "signature.does-not-verify",
                str(error) if error.malformed else "the header was changed, or another key has signed it",
                Place(key=f"signature {index}", offset=offsets[index]),
                expected=f"a signature by {anchor.source} over the {STATEMENT_BYTES} bytes of the statement",
                hint="seal the image again; if it came from elsewhere, do not use it",
            )


def _allowed(context: Context) -> dict[int, str]:
    """Return the algorithms of sealed images that the rules allow, by COSE number, and the kind of key of each."""
    return {SEALED_NUMBERS[kind]: kind for kind in context.product.rules.kinds}


_OTHERS = {"images": "name them in [signing]", "packages": "imgseal build --unfinished, then imgseal sign"}


def too_few(name: str, need: int, found: str, role: str, context: Context) -> Finding:
    """Say that keys for an algorithm that must verify have not signed, or too few of them."""
    alone = len(context.product.rules.required) == 1
    return Finding(
        "trust.too-few-signatures",
        "fewer trusted keys have signed than are needed" + ("" if alone else f" with {name}"),
        expected=(f"{need} distinct keys" if need > 1 else "1 key")
        if alone
        else f"{need} for each of {', '.join(context.product.rules.must_verify)}",
        found=found,
        hint=(
            f"let the others sign as well ({_OTHERS[role]}); trust.{role}.need states how many"
            if alone
            else f"sign with {name} as well: rules.must_verify states which, trust.{role}.need how many for each"
        ),
    )


def unusable(anchor: TrustedKey, context: Context) -> Finding | None:
    """Say why a trusted key counts for nothing here, whatever it has signed."""
    return _example_key(anchor, context) or _revoked_key(anchor, context) or _out_of_force(anchor, context)


def unusable_for_packages(anchor: TrustedKey, context: Context, named_by: str) -> Finding | None:
    """Say why a trusted key counts for no package or delivery here; `named_by` is what names it for a class."""
    refused = unusable(anchor, context)
    if refused is not None or anchor.good_for(None, context.product.class_name):
        return refused
    return Finding(
        "trust.key-not-for-this",
        "the key is trusted, but not for this class",
        Place(file=anchor.source),
        expected=", ".join(anchor.classes),
        found=context.product.class_name,
        hint=f"sign with a key that {named_by} names for this class",
    )


def _example_key(anchor: TrustedKey, context: Context) -> Finding | None:
    """Refuse a key whose private half is public, except where the product file and the judgement are for a desk."""
    if anchor.published is None:
        return None
    if context.development and anchor.development and context.product.rules.example_keys == "development":
        return None
    place = Place(file=anchor.source)
    return of_everyone(anchor.published, place, "everyone can sign with this key", "make one of your own")


def of_everyone(
    origin: str,
    place: Place,
    message: str = "signed with a key that everyone has",
    hint: str = "sign with a key of your own",
) -> Finding:
    """Say that the private half of a key is public, and where it is printed."""
    found, hint = f"the key of {origin}", f"{hint}: imgseal key new FILE"
    return Finding("trust.example-key", message, place, "a key whose private half is secret", found, hint)


def for_another_role(anchor: TrustedKey, role: str) -> str:
    """Say what to do where a key has signed that is trusted for something else."""
    return (
        f"this is {anchor.source}, which the product file trusts for {anchor.role} only: sign with a key of "
        f"[trust.{role}]"
    )


def of_the_desk(anchor: TrustedKey, made: str = "") -> str:
    """Say what to do where a development key has signed."""
    return (
        f"this is the development key {anchor.source}: {made}make it again with imgseal build --release; at a desk "
        "imgseal check --development takes it"
    )


def _revoked_key(anchor: TrustedKey, context: Context) -> Finding | None:
    """Refuse a key that the device has revoked."""
    if anchor.key_id.hex() not in context.state.revoked:
        return None
    return Finding(
        "trust.key-revoked",
        "this device has revoked the key",
        Place(file=anchor.source),
        found=anchor.key_id.hex(),
        hint="sign with a key that this device has not revoked",
    )


def _out_of_force(anchor: TrustedKey, context: Context) -> Finding | None:
    """Refuse a key outside its days, where a day was given to judge for."""
    if context.day is None or anchor.good_on(context.day):
        return None
    days = [f"from {anchor.first}"] if anchor.first else []
    days += [f"until {anchor.last}"] if anchor.last else []
    return Finding(
        "trust.key-not-in-force",
        f"the key is not in force on {context.day}",
        Place(file=anchor.source),
        expected=f"a day {' '.join(days)} ([trust] of the product file)",
        found=context.day,
        hint="sign with a key that is in force; imgseal check --as-of DAY judges for the day of the release",
    )


def _limits(anchor: TrustedKey) -> str:
    limits = {"components": anchor.components, "classes": anchor.classes}
    return "; ".join(f"{what} {', '.join(names)}" for what, names in limits.items() if names)


def _place(index: int) -> Place:
    return in_statement(f"signature_{index}_key")


def _unknown(index: int, kind: str, key_id: bytes, anchors: list[TrustedKey], context: Context) -> Finding:
    for public, origin in published_keys(kind).items():
        if public.key_id == key_id:
            return of_everyone(origin, _place(index))
    hint = "sign with a key that [trust.images] of the product file names, or add this key there if it is yours"
    for anchor in context.trust.keys:
        if anchor.key_id == key_id:
            made = "the image was made at a desk; "
            hint = of_the_desk(anchor, made) if anchor.development else for_another_role(anchor, IMAGES)
    return Finding(
        "trust.unknown-key",
        "signed with a key that is not trusted for images",
        _place(index),
        expected=", ".join(f"{a.key_id.hex()} ({a.source})" for a in anchors) or "no key is trusted at all",
        found=key_id.hex(),
        hint=hint,
    )
