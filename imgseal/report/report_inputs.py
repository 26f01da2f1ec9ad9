"""The flow of a report: judge a package, try it with one thing wrong each time, and look for keys in all of it."""

import hashlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from imgseal.check.context import Context
from imgseal.check.delivery import examine
from imgseal.check.judge import judge, kind_of
from imgseal.errors import InputError
from imgseal.flow.as_released import release_in
from imgseal.flow.contents import Contents, read_contents
from imgseal.formats.cbor.strict import bstr_head, encode
from imgseal.formats.suit import labels
from imgseal.formats.suit.delivery import RELEASE_KEY, is_delivery
from imgseal.formats.suit.envelope import Envelope, beside_payloads, decode_envelope, envelope_pieces
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.named_bill import bill_of
from imgseal.keys.known_secrets import published_needles
from imgseal.keys.trusted_keys import IMAGES, PACKAGES
from imgseal.make.leaks import Scanner
from imgseal.product.model import Product
from imgseal.report.inputs import Change, Leaked, Material
from imgseal.window import ByteView

if TYPE_CHECKING:
    from imgseal.keys.trusted_keys import TrustedKey


def gather(data: ByteView, name: str, context: Context, *, tool: str, device: str = "a fresh device") -> Material:
    """Return what a report on a package is made from, without comparison and rehearsal.

    Never raises on what the package holds; one that is refused is reported as such. `context` is what it is judged
    against, for the device that `device` names.
    """
    whole = bytes(data.read(0, data.size))
    signers: tuple[TrustedKey, ...] = ()
    own = envelope = _decoded(whole)
    if kind_of(data) == "update package":
        verdict, subject = examine(data, name, context, device)
        signers = tuple(subject.signers)
        if own is not None and (release := release_in(own)) is not None:  # with the images that this device made
            envelope = release if is_delivery(subject.envelope) else subject.envelope
    else:
        verdict = judge(data, name, context, device)
    contents = None
    if envelope is not None:
        contents = _contents(whole if envelope is own else _joined(envelope), name, context.product)
    material = Material(
        tool, context.day or "", context.product, context.trust, name, data.size, hashlib.sha256(whole).digest(),
        verdict, signers, context.state, context.contents, envelope, contents,
    )  # fmt: skip
    if envelope is not None:
        material = material._replace(bill=bill_of(envelope))
    if contents is not None and envelope is not None:
        material = material._replace(leaks=tuple(_leaks(envelope, contents, context.product)))
    changes, untried = _tried(whole, own, material, context)
    return material._replace(changes=changes, untried=untried)


def _first(data: bytes, name: str, context: Context) -> str | None:
    """Return the first code; None where it is accepted. A refusal without one names the check that did not run."""
    verdict = judge(ByteView(data), name, context, "a fresh device")
    if verdict.accepted:
        return None
    return verdict.findings[0].code if verdict.findings else "not run"


def _tried(
    whole: bytes, own: Envelope | None, material: Material, context: Context
) -> tuple[tuple[Change, ...], str | None]:
    """Return what was tried, or why nothing was.

    The package as it is comes first: what is refused anyway would be refused for another reason than its change.
    """
    contents = material.contents
    if not material.verdict.accepted:
        return (), "the package is refused as it is"
    if own is None or contents is None:
        return (), "the contents of the package could not be read"
    if _joined(own) != whole:
        return (), "taken apart and put together again, the package is not the same bytes"
    first = _first(whole, "unchanged", context)
    if first is not None:
        return (), f"judged once more, and unchanged, the package is refused: {first}"
    others = other_devices(whole, contents, material.signers, context)
    return (*changed_packages(whole, own, context), *others), None


def _decoded(whole: bytes) -> Envelope | None:
    try:
        return decode_envelope(memoryview(whole))
    except SuitError:
        return None


def _contents(package: bytes, name: str, product: Product) -> Contents | None:
    try:
        return read_contents(package, name, product)
    except InputError:
        return None


def changed_packages(data: bytes, envelope: Envelope, context: Context) -> Iterator[Change]:
    """Spoil the package in one way after the other, and judge each for the device that takes it as it is.

    Every part is changed in the envelope taken apart, so that of two equal ones the right one is.
    """

    def change(what: str, changed: Envelope | bytes, *codes: str) -> Change:
        spoiled = changed if isinstance(changed, bytes) else _joined(changed)
        return Change(what, _first(spoiled, "changed", context), codes)

    # all of them: a block that no trusted key made counts for nothing as it is; a signature ends its block
    unsigned = envelope._replace(blocks=tuple(_flipped(block, max(0, len(block) - 16)) for block in envelope.blocks))
    yield change("one bit of each signature is changed", unsigned, "signature.wrong-key", "signature.malformed")
    manifest = envelope._replace(manifest=_flipped(envelope.manifest))
    yield change("one bit of the manifest is changed", manifest, "signature.manifest-digest")
    for label, what in ((labels.INSTALL, "the install sequence"), (labels.TEXT, "the text")):
        if label in envelope.severed:
            severed = envelope._replace(severed={**envelope.severed, label: _flipped(envelope.severed[label])})
            yield change(f"one bit of {what} is changed", severed, "signature.severed-member")
    inside = release_in(envelope)
    for key, payload in envelope.payloads.items():
        what, spoiled, codes = f"the payload {key}", _flipped(payload), _CONTENT
        if inside is not None and key == RELEASE_KEY:
            what, codes = "the manifest of the release inside", ("signature.manifest-digest",)
            spoiled = _joined(inside._replace(manifest=_flipped(inside.manifest)))
        elif inside is not None:
            what, codes = f"what travels in {key}", ("digest.patch",)
        changed = envelope._replace(payloads={**envelope.payloads, key: memoryview(spoiled)})
        yield change(f"one bit of {what} is changed", changed, *codes)
    yield change("the last byte is cut off", data[:-1], "structure.envelope")
    yield change("one byte stands behind it", data + b"\x00", "structure.envelope")
    if data[2] < 0xB7:  # a map of fewer than 23 members, which counts them in its head; longer keys come last
        extra = data[:2] + bytes([data[2] + 1]) + data[3:] + encode("#" * 200) + bstr_head(1) + b"\x00"
        yield change("a member that nobody has signed is added", extra, "structure.unsigned-member")


_CONTENT: tuple[str, ...] = (
    "digest.image",
    "digest.payload",  # of one that this device would not fetch
    "structure.fill-not-erased",  # the same, where the middle of a detached header is fill, or a signature
    "signature.does-not-verify",
)


def _joined(envelope: Envelope) -> bytes:
    """Put an envelope together."""
    payloads = {key: (len(payload), iter([payload])) for key, payload in envelope.payloads.items()}
    return b"".join(
        envelope_pieces(envelope.digest_bytes, envelope.blocks, envelope.manifest, envelope.severed, payloads)
    )


def _flipped(data: bytes | memoryview, at: int | None = None) -> bytes:
    """Return bytes with one bit changed, in the middle where no place is given."""
    changed = bytearray(data)
    if changed:
        changed[len(changed) // 2 if at is None else at] ^= 1
    return bytes(changed)


def other_devices(
    data: bytes, contents: Contents, signers: "tuple[TrustedKey, ...]", context: Context
) -> Iterator[Change]:
    """Judge the package as it is for devices that must not take it: the one that takes it, with one thing different."""
    product, trust, state = context.product, context.trust, context.state

    def other(what: str, *codes: str, **different: Any) -> Change:
        return Change(f"a device {what}", _first(data, "package", context._replace(**different)), codes)

    def device(what: str, code: str, **different: Any) -> Change:
        return other(what, code, state=state._replace(**different))

    nobody = bytes(16)
    yield other("of another vendor", "identity.wrong-vendor", product=product._replace(vendor_id=nobody))
    yield other("of another class", "identity.wrong-class", product=product._replace(class_id=nobody))
    revision = _foreign_revision(contents)
    if revision is not None:
        yield device(f"of hardware revision {revision}", "identity.wrong-hardware", hardware=revision)
    for role, code in ((PACKAGES, "signature.wrong-key"), (IMAGES, "trust.unknown-key")):
        rest = trust._replace(keys=tuple(key for key in trust.keys if key.role != role))
        # a key that everyone has is named as such wherever it turns up
        yield other(f"that trusts no key for {role}", code, "trust.example-key", trust=rest)
    revoked = (*state.revoked, *(key.key_id.hex() for key in signers))
    yield device("that has revoked the package's keys", "trust.key-revoked", revoked=revoked)
    for what, code, sequence in (
        ("installed sequence", "rollback.sequence-too-low", contents.sequence + 1),
        ("another package of sequence", "rollback.sequence-reused", contents.sequence),
    ):
        yield device(f"that has {what} {sequence}", code, sequence=sequence, manifest_digest=bytes(32))
    refused = (*state.refused, contents.manifest_digest)
    yield device("on which this package has failed", "rules.failed-before", refused=refused)
    for name, counter in {i.component: i.statement.counter for i in contents.images.values()}.items():
        if counter < 0xFFFF_FFFF:
            counters = {**state.counters, product.components[name].number: counter + 1}
            yield device(f"whose counter of {name} is {counter + 1}", "rollback.counter-too-low", counters=counters)
    least = product.rules.minimum_battery
    if least is not None:
        yield device(f"with {least - 1} mWh left", "rules.battery-too-low", battery_mwh=least - 1)
    if any(product.components[i.component].hazard for i in contents.images.values()):
        yield device("that is not authorised", "rules.not-authorised", authorised=False)


def _foreign_revision(contents: Contents) -> int | None:
    """Return a hardware revision that no image of the package is for; None where there is none next to their range."""
    ranges = [image.statement.hardware for image in contents.images.values()]
    if not ranges:
        return None
    least, most = min(low for low, _ in ranges), max(high for _, high in ranges)
    if most < 0xFFFF:
        return most + 1
    return least - 1 if least > 0 else None


def _leaks(envelope: Envelope, contents: Contents, product: Product) -> Iterator[Leaked]:
    """Look for private keys in payloads, and beside them in blocks, manifest and texts, where nothing allows one."""
    scanner = Scanner(published_needles())
    for slot, image in contents.images.items():
        allowed = {key.sha256 for key in product.components[image.component].allowed_keys}
        for leak in scanner.find_in(bytes(image.content)):
            yield Leaked(slot, leak.what, leak.offset, leak.digest.hex() in allowed)
    for member, content in beside_payloads(envelope):
        for leak in scanner.find_in(content):
            yield Leaked(member, leak.what, leak.offset, allowed=False)
