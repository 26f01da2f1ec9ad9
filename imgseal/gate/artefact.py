"""The gate, for one artefact: what it is, whether the judge takes it, whether it is logged, and what it holds.

What needs all artefacts of a run, such as whose source an unsealed file is, is for `settle` (flow/gate_run.py).
"""

import hashlib
from collections.abc import Callable, Iterator, Mapping
from struct import Struct
from typing import TYPE_CHECKING

from imgseal.device_state.device import DeviceState, fresh
from imgseal.errors import ImgsealError, Place, UsageError
from imgseal.findings import Finding, Verdict
from imgseal.flow.judge import judge
from imgseal.formats.sealed_image.layout import FLAG_DETACHED, MAGIC, STATEMENT_BYTES, field
from imgseal.gate.leaks import allowed_in, find, leaking, leaks_of_image, left_by, told
from imgseal.gate.result import GATE_CODES
from imgseal.keys.trusted_keys import Trust
from imgseal.limits import CHUNK, HEADER_BLOCK_MAX, HEADER_BLOCK_MIN
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.window import Bytes, ByteView

if TYPE_CHECKING:
    from imgseal.formats.memory.image import MemoryImage
    from imgseal.formats.suit.envelope import Envelope
    from imgseal.formats.trust_anchors.codec import AnchorSet

FindPayload = Callable[[int, bytes], Bytes | None]
"""Finds the payload of a detached header by its size and SHA-256; None where there is none beside the header."""

Load = tuple[int | None, int | None, bytes]
"""A payload where it runs: component number, link address, SHA-256; both None for bytes without an address."""

Identity = tuple[str, bytes]
"""What the release log has of an artefact: `manifest` or `statement`, and its SHA-256."""

_CLASS, _FLAGS = field("class_id"), field("flags")


class Setting(NamedTuple):
    """The product, or one of its variants, and the devices that are judged for.

    `state` None says that nothing is known of them; `anchors` is the set that they have been given since.
    """

    product: Product
    trust: Trust
    state: DeviceState | None
    contents: Mapping[str, Bytes]
    device: str
    anchors: "AnchorSet | None" = None


class Brief(NamedTuple):
    """What everything is judged by; the same for all artefacts of a run, wherever the work is done.

    `scan` False leaves out the search for private keys, for measurements.
    """

    settings: tuple[Setting, ...]
    day: str
    scan: bool = True


class Way(NamedTuple):
    """One way to read a file as what sealed images were made from: `loads` all have to be sealed.

    `findings` is what is wrong with the file all the same, in bytes that those images do not hold.
    """

    loads: tuple[Load, ...]
    findings: tuple[Finding, ...] = ()


class Looked(NamedTuple):
    """What one artefact says by itself. `sealed` is what good images hold, `identity` what the log knows them by.

    Of what is not good by itself `ways` says what it may be a source of.
    """

    kind: str
    findings: tuple[Finding, ...]
    details: tuple[tuple[str, str], ...] = ()
    sealed: tuple[Load, ...] = ()
    ways: tuple[Way, ...] = ()
    unsealed: bool = False
    identity: Identity | None = None


_USUAL_HINTS = {
    "gate.changed": "run the gate when the build has ended",
    "gate.unreadable": "make it again; what is no firmware of this product is excused by a [[gate.exception]]",
}
"""Of codes that have one cure, wherever they are found; all others need a hint of their own."""


def finding(
    code: str,
    *,
    place: Place | None = None,
    expected: str | None = None,
    found: str | None = None,
    hint: str | None = None,
) -> Finding:
    """Make a finding of the gate's own."""
    return Finding(code, GATE_CODES[code], place or Place(), expected, found, hint or _USUAL_HINTS[code])


def look_at_sealed(
    data: Bytes, kind: str, brief: Brief, find_payload: FindPayload, beside: tuple[Finding, ...] = ()
) -> Looked:
    """Judge a sealed image, detached header, update package or trust anchor update.

    `beside` is what is wrong with the text that an image was read from.
    """
    payload, said, head = None, None, b""
    settings = brief.settings
    if kind == "sealed image":
        head = bytes(data.read(0, STATEMENT_BYTES))
        class_id = head[_CLASS.offset : _CLASS.offset + _CLASS.size]
        settings = tuple(each for each in settings if each.product.class_id == class_id) or settings
        said = _spoken(head)
        if said is not None and said.detached:
            kind = "detached header"
            payload = find_payload(said.size, said.digest)
    setting, verdict = _best(data, settings, brief, payload)
    accepted = verdict.accepted
    found = [] if accepted else _refusals(verdict)
    if setting.state is None:
        found.append(
            finding(
                "gate.no-device",
                found=f"class {setting.product.class_name}"
                + (f", variant {setting.product.variant}" if setting.product.variant else ""),
                hint="release it, or name what devices have: --previous PACKAGE, --device FILE, or --fresh",
            )
        )
    parts: list[_Part] = []
    beside_parts: list[tuple[str, bytes]] = []
    identity: Identity | None = None
    if kind == "update package":
        envelope = _envelope(data)
        parts = list(_package_parts(data, envelope))
        beside_parts = list(_beside(envelope))
        if accepted and envelope is not None:
            identity = "manifest", envelope.digest.value
            found += _no_bill(envelope, setting.product)
    elif kind != "trust anchor update":
        parts = [_image_part(data, said, payload)]
        identity = ("statement", hashlib.sha256(head).digest()) if accepted else None
    if brief.scan:
        for part in parts:
            found += _leaks(part, setting.product)
        for name, content in beside_parts:
            part = _Part(ByteView(content), 0, len(content), None, 0)
            found += [leaking(leak, Place(key=name, offset=leak.offset), "text and numbers") for leak in find(part)]
    found += beside
    sealed = tuple((part.said.component, part.said.link, part.said.digest) for part in parts if part.said is not None)
    return Looked(kind, tuple(found), verdict.details, () if found else sealed, identity=identity)


def _best(data: Bytes, settings: tuple[Setting, ...], brief: Brief, payload: Bytes | None) -> tuple[Setting, Verdict]:
    """Judge for each variant until one takes it; else return the verdict that got furthest."""
    verdicts = []
    for setting in sorted(settings, key=lambda each: each.state is None):
        state = setting.state or fresh(setting.product)
        verdict = judge(
            data,
            "",
            setting.product,
            setting.trust,
            state,
            contents=setting.contents,
            device=setting.device,
            payload=payload,
            partial=state.fresh,
            day=brief.day,
            anchors=setting.anchors,
        )
        if len(settings) == 1 or verdict.accepted:
            return setting, verdict
        verdicts.append((setting, verdict))
    return max(verdicts, key=lambda pair: sum(check.outcome == "passed" for check in pair[1].checks))


def _refusals(verdict: Verdict) -> list[Finding]:
    """Return what the judge has found in what it does not accept."""
    if verdict.findings:
        return list(verdict.findings)
    because = next((check.because for check in verdict.checks if check.because), None)
    return [finding("gate.not-judged", found=because, hint="imgseal check says more")]


def _envelope(data: Bytes) -> "Envelope | None":
    """Take a package apart; None for what is none, which the judge has refused."""
    from imgseal.formats.suit.envelope import decode_envelope
    from imgseal.formats.suit.errors import SuitError

    try:
        return decode_envelope(data.read(0, data.size))
    except SuitError:
        return None


def _no_bill(envelope: "Envelope", product: Product) -> list[Finding]:
    """Find a package that names no bill of materials where the product file demands one; decision 013."""
    if product.rules.sbom != "required":
        return []
    from imgseal.formats.suit.named_bill import bill_of

    if bill_of(envelope) is not None:
        return []
    return [
        finding(
            "gate.no-sbom",
            expected="a bill of materials named in the package's signed text (rules.sbom)",
            found="none",
            hint="build the release with it: imgseal build ... --release --sbom FILE",
        )
    ]


class _Part(NamedTuple):
    """A payload, alone or in a package, and the header that speaks for it; None where none does.

    `offset` is where its first byte stands in the artefact.
    """

    data: Bytes
    start: int
    size: int
    said: "_Spoken | None"
    offset: int

    def read(self, offset: int, length: int) -> bytes:
        """Return up to `length` bytes from `offset`."""
        return bytes(self.data.read(self.start + offset, max(0, min(length, self.size - offset))))

    def chunks(self) -> Iterator[bytes]:
        """Yield the payload in order."""
        for at in range(0, self.size, CHUNK):
            yield self.read(at, CHUNK)


def _image_part(data: Bytes, said: "_Spoken | None", payload: Bytes | None) -> _Part:
    """Return the payload of a sealed image, whatever the judge says of it."""
    if payload is not None:
        return _Part(payload, 0, payload.size, said, 0)
    start = 0 if said is None else said.start
    return _Part(data, start, max(0, data.size - start), said, start)


def _package_parts(data: Bytes, envelope: "Envelope | None") -> Iterator[_Part]:
    """Yield every payload of a package, or all of it where it is none."""
    if envelope is None:
        yield _Part(data, 0, data.size, None, 0)
        return
    payloads = envelope.payloads
    headers = {}
    bare = []
    for content in payloads.values():
        said = _spoken(content[:STATEMENT_BYTES])
        if said is None:
            bare.append(content)
        elif said.detached:
            headers[said.digest] = said
        else:
            yield _Part(ByteView(content), said.start, max(0, len(content) - said.start), said, said.start)
    for content in bare:
        yield _Part(ByteView(content), 0, len(content), headers.get(hashlib.sha256(content).digest()), 0)


def _beside(envelope: "Envelope | None") -> Iterator[tuple[str, bytes]]:
    """Yield what a package holds beside its payloads."""
    if envelope is not None:
        from imgseal.formats.suit.envelope import beside_payloads

        yield from beside_payloads(envelope)


class _Spoken(NamedTuple):
    """What a header says of its payload, as far as the gate repeats it; the judge is the one that reads it all."""

    component: int
    digest: bytes
    size: int
    link: int
    block: int
    flags: int

    @property
    def detached(self) -> bool:
        """Whether the payload lies elsewhere."""
        return bool(self.flags & FLAG_DETACHED)

    @property
    def start(self) -> int:
        """Where the payload begins; behind the statement in a header that lies about its size."""
        allowed = HEADER_BLOCK_MIN <= self.block <= HEADER_BLOCK_MAX
        return self.block if allowed else STATEMENT_BYTES


_NUMBER, _MEASURED, _BLOCK = field("component_number"), field("payload_digest"), field("header_block")
_VALUES = Struct("<" + "".join(field(name).code for name in ("payload_digest", "payload_size", "link_address")))


def _spoken(head: bytes | memoryview) -> _Spoken | None:
    if len(head) < STATEMENT_BYTES or bytes(head[: len(MAGIC)]) != MAGIC:
        return None
    digest, size, link = _VALUES.unpack_from(head, _MEASURED.offset)
    block = int.from_bytes(head[_BLOCK.offset : _BLOCK.offset + _BLOCK.size], "little")
    flags = int.from_bytes(head[_FLAGS.offset : _FLAGS.offset + _FLAGS.size], "little")
    return _Spoken(head[_NUMBER.offset], digest, size, link, block, flags)


def _leaks(part: "_Part", product: Product) -> list[Finding]:
    """Look for private keys that the product file does not allow there."""
    number = None if part.said is None else part.said.component
    link = None if part.said is None else part.said.link
    allowed = allowed_in(each for each in product.components.values() if each.number == number)
    return [
        leaking(leak, Place(offset=part.offset + leak.offset, address=None if link is None else link + leak.offset))
        for leak in find(part, allowed)
    ]


def look_at_firmware(image: "MemoryImage", kind: str, brief: Brief, beside: tuple[Finding, ...] = ()) -> Looked:
    """Say what unsealed firmware would be in a slot, each way that the product file admits, and search it for keys.

    `beside` is what is wrong with the file that it was read from.
    """
    from imgseal.make.place import place, separate

    leaks = leaks_of_image(image) if brief.scan else {}
    ways: dict[Way, None] = {}
    digests: dict[tuple[int, int], bytes] = {}
    for setting in brief.settings:
        for component in setting.product.components.values():
            try:
                rest, carried = separate(image, component, "")
                parts = [(component, rest), *((setting.product.components[n], part) for n, part in carried.items())]
                placed = [place(part, setting.product, of, "") for of, part in parts]
            except UsageError:
                continue  # it is not this component's
            loads = []
            for one in placed:
                extent = (one.link_address, one.payload.size)
                if extent not in digests:
                    digests[extent] = one.payload.digest()
                loads.append((one.component.number, one.link_address, digests[extent]))
            left = left_by(image, component, placed) if leaks else {}
            ways[Way(tuple(loads), (*beside, *told(left)))] = None
    return Looked(kind, (*beside, *told(leaks)), ways=tuple(ways), unsealed=True)


def look_at_raw(data: Bytes, brief: Brief) -> Looked:
    """Say what a flat binary would be: bytes whose address nobody knows."""
    found = _leaks(_Part(data, 0, data.size, None, 0), brief.settings[0].product) if brief.scan else []
    return Looked("flat binary", tuple(found), ways=(as_it_is(data),), unsealed=True)


def as_it_is(file: Bytes) -> Way:
    """Return the way to be the payload of a sealed image byte for byte, without an address."""
    digest = hashlib.sha256()
    for at in range(0, file.size, CHUNK):
        digest.update(file.read(at, CHUNK))
    return Way(((None, None, digest.digest()),))


def unreadable(error: ImgsealError) -> Finding:
    """Turn the error of a reader into a finding."""
    return Finding(
        "gate.unreadable",
        error.message,
        error.place._replace(file=None),
        error.expected,
        error.found,
        error.hint or _USUAL_HINTS["gate.unreadable"],
    )
