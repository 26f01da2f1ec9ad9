"""The flow of a report: judge a package, try it with one thing wrong each time, and look for keys in all of it."""

import hashlib
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from imgseal.check.context import Context
from imgseal.check.judge import kind_of
from imgseal.check.package import examine_package
from imgseal.device_state.device import DeviceState
from imgseal.errors import InputError
from imgseal.findings import Verdict
from imgseal.flow.contents import Contents, read_contents
from imgseal.flow.judge import judge
from imgseal.formats.cbor.strict import bstr_head, encode
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.suit import labels
from imgseal.formats.suit.envelope import Envelope, beside_payloads, decode_envelope, envelope_pieces
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.named_bill import bill_of
from imgseal.keys.known_secrets import published_needles
from imgseal.keys.trusted_keys import IMAGES, PACKAGES, Trust
from imgseal.make.leaks import Scanner
from imgseal.make.place import Payload
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.report.inputs import Change, Leaked, Material
from imgseal.window import Bytes, ByteView

if TYPE_CHECKING:
    from imgseal.formats.trust_anchors.codec import AnchorSet
    from imgseal.keys.trusted_keys import TrustedKey


def gather(
    data: ByteView,
    name: str,
    product: Product,
    trust: Trust,
    state: DeviceState,
    *,
    tool: str,
    day: str,
    device: str = "a fresh device",
    held: Mapping[str, Bytes] | None = None,
    development: bool = False,
    anchors: "AnchorSet | None" = None,
) -> Material:
    """Return what a report on a package is made from, without comparison and rehearsal.

    Never raises on what the package holds; one that is refused is reported as such.
    """
    whole = data.read(0, data.size)
    signers: tuple[TrustedKey, ...] = ()
    if kind_of(data) == "update package":
        context = Context(
            product,
            trust,
            state,
            held or {},
            development=development,
            whole_set=not state.fresh,
            day=day,
            anchors=anchors,
        )
        verdict, subject = examine_package(data, name, context, device)
        signers = tuple(subject.signers)
    else:
        verdict = judge(data, name, product, trust, state, device=device, development=development, day=day)
    envelope, contents = _read(whole, name, product)
    material = Material(
        tool, day, product, trust, name, data.size, hashlib.sha256(whole).digest(), verdict, signers, state, held or {},
        envelope, contents,
    )  # fmt: skip
    if envelope is not None:
        material = material._replace(bill=bill_of(envelope))
    if contents is not None and envelope is not None:
        material = material._replace(leaks=(*_leaks(contents, product), *_leaks_beside(envelope)))
    bench = _Bench(product, trust, state, held or {}, development, day, anchors)
    changes, untried = _tried(data, verdict, envelope, contents, signers, bench)
    return material._replace(changes=changes, untried=untried)


class _Bench(NamedTuple):
    """All that the verdict was for; what is tried differs from it in one thing."""

    product: Product
    trust: Trust
    state: DeviceState
    held: Mapping[str, Bytes]
    development: bool
    day: str
    anchors: "AnchorSet | None"

    def first(self, data: bytes, name: str = "changed") -> str | None:
        """Return the first code; None where it is accepted. A refusal without one names the check that did not run."""
        verdict = judge(
            ByteView(data), name, self.product, self.trust, self.state, contents=self.held,
            development=self.development, day=self.day, anchors=self.anchors,
        )  # fmt: skip
        if verdict.accepted:
            return None
        return verdict.findings[0].code if verdict.findings else "not run"


def _tried(
    data: ByteView,
    verdict: Verdict,
    envelope: Envelope | None,
    contents: Contents | None,
    signers: "tuple[TrustedKey, ...]",
    bench: _Bench,
) -> tuple[tuple[Change, ...], str | None]:
    """Return what was tried, or why nothing was.

    The package as it is comes first: what is refused anyway would be refused for another reason than its change.
    """
    if not verdict.accepted:
        return (), "the package is refused as it is"
    if envelope is None or contents is None:
        return (), "the contents of the package could not be read"
    whole = bytes(data.read(0, data.size))
    if _joined(envelope) != whole:
        return (), "taken apart and put together again, the package is not the same bytes"
    first = bench.first(whole, "unchanged")
    if first is not None:
        return (), f"judged once more, and unchanged, the package is refused: {first}"
    return (*changed_packages(whole, envelope, bench), *other_devices(whole, contents, signers, bench)), None


def _read(whole: memoryview, name: str, product: Product) -> tuple[Envelope | None, Contents | None]:
    try:
        envelope = decode_envelope(whole)
    except SuitError:
        return None, None
    try:
        return envelope, read_contents(whole, name, product)
    except InputError:
        return envelope, None


def changed_packages(data: bytes, envelope: Envelope, bench: _Bench) -> Iterator[Change]:
    """Spoil the package in one way after the other, and judge each for the device that takes it as it is.

    Every part is changed in the envelope taken apart, so that of two equal ones the right one is.
    """

    def change(what: str, changed: Envelope, *codes: str) -> Change:
        return Change(what, bench.first(_joined(changed)), codes)

    # all of them: a block that no trusted key made counts for nothing as it is
    unsigned = tuple(_flipped(block, max(0, len(block) - 16)) for block in envelope.blocks)
    yield change(
        "one bit of each signature is changed",
        envelope._replace(blocks=unsigned),
        "signature.wrong-key",
        "signature.malformed",
    )
    manifest = _flipped(envelope.manifest)
    yield change(
        "one bit of the manifest is changed", envelope._replace(manifest=manifest), "signature.manifest-digest"
    )
    for label, what in ((labels.INSTALL, "the install sequence"), (labels.TEXT, "the text")):
        if label in envelope.severed:
            severed = {**envelope.severed, label: _flipped(envelope.severed[label])}
            yield change(
                f"one bit of {what} is changed", envelope._replace(severed=severed), "signature.severed-member"
            )
    for key, payload in envelope.payloads.items():
        payloads = {**envelope.payloads, key: memoryview(_flipped(payload))}
        yield change(f"one bit of the payload {key} is changed", envelope._replace(payloads=payloads), *_CONTENT)
    yield Change("the last byte is cut off", bench.first(data[:-1]), _STRUCTURE)
    yield Change("one byte stands behind it", bench.first(data + b"\x00"), _STRUCTURE)
    if data[2] < 0xB7:  # a map of fewer than 23 members, which counts them in its head; longer keys come last
        extra = data[:2] + bytes([data[2] + 1]) + data[3:] + encode("#" * 200) + bstr_head(1) + b"\x00"
        yield Change("a member that nobody has signed is added", bench.first(extra), ("structure.unsigned-member",))


_STRUCTURE = ("structure.envelope",)
_CONTENT = (
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
    data: bytes, contents: Contents, signers: "tuple[TrustedKey, ...]", bench: _Bench
) -> Iterator[Change]:
    """Judge the package as it is for devices that must not take it: the one that takes it, with one thing different."""
    product, trust, start = bench.product, bench.trust, bench.state

    def other(what: str, changed: _Bench, *codes: str) -> Change:
        return Change(what, changed.first(data, "package"), codes)

    def device(what: str, code: str, state: DeviceState) -> Change:
        return other(f"a device {what}", bench._replace(state=state), code)

    nobody = bytes(16)
    elsewhere = product._replace(vendor_id=nobody)
    yield other("a device of another vendor", bench._replace(product=elsewhere), "identity.wrong-vendor")
    elsewhere = product._replace(class_id=nobody)
    yield other("a device of another class", bench._replace(product=elsewhere), "identity.wrong-class")
    revision = _foreign_revision(contents)
    if revision is not None:
        state = start._replace(hardware=revision)
        yield device(f"of hardware revision {revision}", "identity.wrong-hardware", state)
    for role, code in ((PACKAGES, "signature.wrong-key"), (IMAGES, "trust.unknown-key")):
        keys = tuple(key for key in trust.keys if key.role != role)
        others = bench._replace(trust=trust._replace(keys=keys))
        # a key that everyone has is named as such wherever it turns up
        yield other(f"a device that trusts no key for {role}", others, code, "trust.example-key")
    revoked = (*start.revoked, *(key.key_id.hex() for key in signers))
    yield device("that has revoked the package's keys", "trust.key-revoked", start._replace(revoked=revoked))
    after = contents.sequence + 1
    state = start._replace(sequence=after, manifest_digest=bytes(32))
    yield device(f"that has installed sequence {after}", "rollback.sequence-too-low", state)
    state = start._replace(sequence=contents.sequence, manifest_digest=bytes(32))
    yield device(f"that has another package of sequence {contents.sequence}", "rollback.sequence-reused", state)
    state = start._replace(refused=(*start.refused, contents.manifest_digest))
    yield device("on which this package has failed", "rules.failed-before", state)
    numbers = {component.name: component.number for component in product.components.values()}
    for name, counter in {i.component: i.statement.counter for i in contents.images.values()}.items():
        if counter < 0xFFFF_FFFF:
            state = start._replace(counters={**start.counters, numbers[name]: counter + 1})
            yield device(f"whose counter of {name} is {counter + 1}", "rollback.counter-too-low", state)
    least = product.rules.minimum_battery
    if least is not None:
        yield device(f"with {least - 1} mWh left", "rules.battery-too-low", start._replace(battery_mwh=least - 1))
    if any(product.components[i.component].hazard for i in contents.images.values()):
        yield device("that is not authorised", "rules.not-authorised", start._replace(authorised=False))


def _foreign_revision(contents: Contents) -> int | None:
    """Return a hardware revision that no image of the package is for; None where there is none next to their range."""
    ranges = [image.statement.hardware for image in contents.images.values()]
    if not ranges:
        return None
    least, most = min(low for low, _ in ranges), max(high for _, high in ranges)
    if most < 0xFFFF:
        return most + 1
    return least - 1 if least > 0 else None


def _leaks(contents: Contents, product: Product) -> Iterator[Leaked]:
    scanner = Scanner(published_needles())
    for slot, image in contents.images.items():
        allowed = {key.sha256 for key in product.components[image.component].allowed_keys}
        payload = Payload(MemoryImage.from_bytes(0, bytes(image.content)), 0, len(image.content))
        for leak in scanner.find(payload):
            yield Leaked(slot, leak.what, leak.offset, leak.digest.hex() in allowed)


def _leaks_beside(envelope: Envelope) -> Iterator[Leaked]:
    """Look for keys in blocks, manifest and texts, where nothing allows one."""
    scanner = Scanner(published_needles())
    for member, content in beside_payloads(envelope):
        for leak in scanner.find_in(content):
            yield Leaked(member, leak.what, leak.offset, allowed=False)
