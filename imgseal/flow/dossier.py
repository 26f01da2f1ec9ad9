"""The flow of a report: judge a package, try it with one thing wrong each time, and look for keys in its payloads."""

import hashlib
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from imgseal.cbor.strict import bstr_head, encode
from imgseal.check.context import Bytes, Context
from imgseal.check.judge import kind_of
from imgseal.check.package import examine_package
from imgseal.compare.contents import Contents, read_contents
from imgseal.errors import InputError
from imgseal.findings import Verdict
from imgseal.flow import judge
from imgseal.keys.needles import published_needles
from imgseal.keys.trust import IMAGES, PACKAGES, Trust
from imgseal.make.leaks import Scanner
from imgseal.make.place import Payload
from imgseal.memory.image import MemoryImage
from imgseal.memory.view import ByteView
from imgseal.product.model import Product
from imgseal.report.material import Change, Leaked, Material
from imgseal.state.device import DeviceState, fresh
from imgseal.suit import labels
from imgseal.suit.bill import bill_of
from imgseal.suit.envelope import Envelope, decode_envelope
from imgseal.suit.errors import SuitError

if TYPE_CHECKING:
    from imgseal.anchors.codec import AnchorSet
    from imgseal.keys.trust import TrustedKey

__all__ = ["changed_packages", "gather", "other_devices"]


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
    if contents is not None:
        material = material._replace(leaks=tuple(_leaks(contents, product)))
    if verdict.accepted and envelope is not None and contents is not None:
        changes = (
            *changed_packages(whole, envelope, product, trust, development=development),
            *other_devices(data, contents, material, development=development),
        )
        material = material._replace(changes=changes)
    return material


def _read(whole: memoryview, name: str, product: Product) -> tuple[Envelope | None, Contents | None]:
    try:
        envelope = decode_envelope(whole)
    except SuitError:
        return None, None
    try:
        return envelope, read_contents(whole, name, product)
    except InputError:
        return envelope, None


def changed_packages(
    whole: memoryview, envelope: Envelope, product: Product, trust: Trust, *, development: bool
) -> Iterator[Change]:
    """Spoil the package in one way after the other, and judge each for a fresh device."""
    data = bytes(whole)

    def first(changed: bytes) -> str | None:
        return _first(
            judge(ByteView(changed), "changed", product, trust, fresh(product), development=development, partial=True)
        )

    unsigned = data
    for block in envelope.blocks:  # all of them: a block that no trusted key made counts for nothing as it is
        unsigned = _flipped(unsigned, data.index(block) + len(block) - 16)
    yield Change("one bit of each signature is changed", first(unsigned))
    for what, part in _parts(envelope):
        at = data.index(bytes(part))
        yield Change(f"one bit of {what} is changed", first(_flipped(data, at + len(part) // 2)))
    yield Change("the last byte is cut off", first(data[:-1]))
    yield Change("one byte stands behind it", first(data + b"\x00"))
    if data[2] < 0xB7:  # a map of fewer than 23 members, which counts them in its head; longer keys come last
        extra = data[:2] + bytes([data[2] + 1]) + data[3:] + encode("#" * 200) + bstr_head(1) + b"\x00"
        yield Change("a member that nobody has signed is added", first(extra))


def _parts(envelope: Envelope) -> Iterator[tuple[str, bytes | memoryview]]:
    yield "the manifest", envelope.manifest
    for label in (labels.INSTALL, labels.TEXT):
        if label in envelope.severed:
            yield {labels.INSTALL: "the install sequence", labels.TEXT: "the text"}[label], envelope.severed[label]
    for key, payload in envelope.payloads.items():
        yield f"the payload {key}", payload


def _flipped(data: bytes, at: int) -> bytes:
    changed = bytearray(data)
    changed[at] ^= 1
    return bytes(changed)


def other_devices(data: ByteView, contents: Contents, material: Material, *, development: bool) -> Iterator[Change]:
    """Judge the package as it is for devices that must not take it, each a fresh one with one thing different."""
    product, trust, start = material.product, material.trust, fresh(material.product)

    def first(of: Product = product, known: Trust = trust, state: DeviceState = start) -> str | None:
        return _first(judge(data, "package", of, known, state, development=development, partial=True))

    other = bytes(16)
    yield Change("a device of another vendor", first(product._replace(vendor_id=other)))
    yield Change("a device of another class", first(product._replace(class_id=other)))
    revision = product.hardware[1] + 1
    if revision <= 0xFFFF:
        yield Change(f"a device of hardware revision {revision}", first(state=start._replace(hardware=revision)))
    for role, what in ((PACKAGES, "packages"), (IMAGES, "images")):
        keys = tuple(key for key in trust.keys if key.role != role)
        yield Change(f"a device that trusts other keys for {what}", first(known=trust._replace(keys=keys)))
    revoked = tuple(key.key_id.hex() for key in material.signers)
    yield Change("a device that has revoked the package's keys", first(state=start._replace(revoked=revoked)))
    later = start._replace(sequence=contents.sequence + 1, manifest_digest=bytes(32))
    yield Change(f"a device that has installed sequence {contents.sequence + 1}", first(state=later))
    reused = start._replace(sequence=contents.sequence, manifest_digest=bytes(32))
    yield Change(f"a device that has another package of sequence {contents.sequence}", first(state=reused))
    failed = start._replace(refused=(contents.manifest_digest,))
    yield Change("a device on which this package has failed", first(state=failed))
    numbers = {component.name: component.number for component in product.components.values()}
    for name, counter in {i.component: i.statement.counter for i in contents.images.values()}.items():
        if counter < 0xFFFF_FFFF:
            higher = start._replace(counters={numbers[name]: counter + 1})
            yield Change(f"a device whose counter of {name} is {counter + 1}", first(state=higher))
    if product.rules.minimum_battery is not None:
        low = start._replace(battery_mwh=product.rules.minimum_battery - 1)
        yield Change(f"a device with {product.rules.minimum_battery - 1} mWh left", first(state=low))
    if any(product.components[i.component].hazard for i in contents.images.values()):
        yield Change("a device that is not authorised", first(state=start._replace(authorised=False)))


def _first(verdict: Verdict) -> str | None:
    """Return the first code; a refusal without one names the check that did not run."""
    if verdict.accepted:
        return None
    return verdict.findings[0].code if verdict.findings else "not run"


def _leaks(contents: Contents, product: Product) -> Iterator[Leaked]:
    scanner = Scanner(published_needles())
    for slot, image in contents.images.items():
        allowed = {key.sha256 for key in product.components[image.component].allowed_keys}
        payload = Payload(MemoryImage.from_bytes(0, bytes(image.content)), 0, len(image.content))
        for leak in scanner.find(payload):
            yield Leaked(slot, leak.what, leak.offset, leak.digest.hex() in allowed)
