"""Scans one artefact for the gate: what it is, whether the judge takes it, how the log knows it, what keys it holds.

What needs all artefacts of a run, such as whose source an unsealed file is, is for `conclude` (gate/run.py).
"""

import hashlib
from collections.abc import Callable, Iterator
from struct import Struct

from imgseal.errors import ImgsealError, Place, UsageError
from imgseal.findings import Finding, Verdict, said_by
from imgseal.flow.as_released import Identity, envelope_of, identity_of, without_bill
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.sealed_image.layout import FLAG_DETACHED, MAGIC, STATEMENT_BYTES, field
from imgseal.formats.suit.envelope import Envelope, beside_payloads
from imgseal.gate.leaks import allowed_in, as_findings, find, leaking, leaks_left, leaks_of_image
from imgseal.gate.result import GATE_CODES
from imgseal.gate.vector_table import Table
from imgseal.limits import HEADER_BLOCK_MAX, HEADER_BLOCK_MIN
from imgseal.make.place import place_all
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.window import Bytes, ByteView, Window, digest_of
from imgseal.workspace.judging import Judge, first_to_accept, fitting_class

FindPayload = Callable[[int, bytes], Bytes | None]
"""Finds the payload of a detached header by its size and SHA-256; None where there is none beside the header."""

Load = tuple[int | None, int | None, bytes]
"""A payload where it runs: component number, link address, SHA-256; both None for bytes without an address."""


class Target(NamedTuple):
    """The product, or one of its variants, with the devices that are judged for; `known` says that these are known."""

    judge: Judge
    known: bool = True

    @property
    def product(self) -> Product:
        """What artefacts are judged by."""
        return self.judge.context.product


class Policy(NamedTuple):
    """What everything is judged by; the same for all artefacts of a run, wherever the work is done.

    `find_keys` False leaves out the search for private keys, for measurements. `raw` are the path patterns of flat
    binaries that are firmware.
    """

    targets: tuple[Target, ...]
    find_keys: bool = True
    raw: tuple[str, ...] = ()


class Origin(NamedTuple):
    """One way to read a file as what sealed images were made from: `loads` all have to be sealed.

    `findings` is what is wrong with the file all the same, in bytes that those images do not hold.
    """

    loads: tuple[Load, ...]
    findings: tuple[Finding, ...] = ()


class Scanned(NamedTuple):
    """What one artefact says by itself. `sealed` is what good images hold, `identity` what the log knows them by.

    Of what is not good by itself `origins` says what it may be a source of, and `table` why it was taken for a flat
    binary. `passed` says why it is no artefact at all. `product_file` is that of the product which it was judged for.
    """

    kind: str
    findings: tuple[Finding, ...]
    details: tuple[tuple[str, str], ...] = ()
    sealed: tuple[Load, ...] = ()
    origins: tuple[Origin, ...] = ()
    unsealed: bool = False
    identity: Identity | None = None
    table: Table | None = None
    passed: str | None = None
    product_file: str = ""


class Found(NamedTuple):
    """An artefact and where it was found; see `Artefact`."""

    name: str
    file: str
    inside: str
    scanned: Scanned


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


def not_sealed(table: Table | None = None) -> Finding:
    """Say that firmware is not sealed; of a flat binary, what has told so."""
    hint = (
        "seal it: imgseal build --release; what is no firmware of this product is excused by a [[gate.exception]] of "
        "the product file"
    )
    if table is None:
        return finding("gate.not-sealed", hint=hint)
    return finding(
        "gate.not-sealed",
        place=Place(offset=table.offset),
        expected="the payload of a good sealed image of this run, or no vector table for this product",
        found=table.words,
        hint=hint + ("" if table.offset == 0 else "; where it is a payload, name it in [gate] raw"),
    )


def scan_sealed(
    data: Bytes, kind: str, policy: Policy, find_payload: FindPayload, beside: tuple[Finding, ...] = ()
) -> Scanned:
    """Judge a sealed image, detached header, update package or trust anchor update.

    `beside` is what is wrong with the text that an image was read from.
    """
    payload = header = None
    head = bytes(data.read(0, STATEMENT_BYTES))
    targets = policy.targets
    envelope = envelope_of(data)
    if kind == "sealed image" and (header := _read_header(head)) is not None and header.detached:
        kind = "detached header"
        payload = find_payload(header.size, header.digest)
    fitting = [targets[n] for n in fitting_class(data, [each.product for each in targets]) or [0]]
    verdict, target = first_to_accept(
        (each.judge(data, "", payload=payload), each) for each in sorted(fitting, key=lambda each: not each.known)
    )
    found = [] if verdict.accepted else _refusals(verdict)
    if not target.known:
        found.append(
            finding(
                "gate.no-device",
                found=f"class {target.product.class_name}"
                + (f", variant {target.product.variant}" if target.product.variant else "")
                + (f", channel {target.product.channel}" if target.product.channel else ""),
                hint="release it, or name what devices have: --previous PACKAGE, --device FILE, or --fresh",
            )
        )
    parts: list[_Part] = []
    identity: Identity | None = None
    if kind == "update package":
        parts = list(_package_parts(data, envelope))
    elif kind != "trust anchor update":
        parts = [_image_part(data, header, payload)]
    if verdict.accepted:
        identity = identity_of(data, envelope)
        if (bill := without_bill(envelope, target.product)) is not None:
            found.append(bill)
    if policy.find_keys:
        for part in parts:
            found += _leaks(part, target.product)
    found += beside
    headers = () if found else [part.header for part in parts if part.header is not None]
    sealed = tuple((each.component, each.link, each.digest) for each in headers)
    source = target.product.source
    kind = verdict.kind if verdict.kind == "delivery" else kind
    return Scanned(kind, tuple(found), verdict.details, sealed, identity=identity, product_file=source)


def _refusals(verdict: Verdict) -> list[Finding]:
    """Return what the judge has found in what it does not accept."""
    if verdict.findings:
        return list(verdict.findings)
    because = next((check.because for check in verdict.checks if check.because), None)
    return [finding("gate.not-judged", found=because, hint="imgseal check says more")]


class _Part(NamedTuple):
    """A payload, alone or in a package, and the header that speaks for it; None where none does.

    `offset` is where its first byte stands in the artefact. `key` names what is no payload, but stands beside them.
    """

    content: Window
    header: "_Header | None" = None
    offset: int = 0
    key: str | None = None


def _image_part(data: Bytes, header: "_Header | None", payload: Bytes | None = None) -> _Part:
    """Return the payload of a sealed image, whatever the judge says of it."""
    if payload is not None:
        return _Part(Window.of(payload), header)
    start = 0 if header is None else header.start
    return _Part(Window(data.read, start, max(0, data.size - start)), header, start)


def _package_parts(data: Bytes, envelope: Envelope | None) -> Iterator[_Part]:
    """Yield every payload of a package and what stands beside them, or all of it where it is none."""
    if envelope is None:
        yield _image_part(data, None)
        return
    detached: dict[bytes, _Header] = {}
    bare = []
    for content in envelope.payloads.values():
        header = _read_header(content[:STATEMENT_BYTES])
        if header is None:
            bare.append(ByteView(content))
        elif header.detached:
            detached[header.digest] = header
        else:
            yield _image_part(ByteView(content), header)
    for payload in bare:
        digest = hashlib.sha256(payload.read(0, payload.size)).digest()
        yield _image_part(payload, detached.get(digest), payload)
    for name, text in beside_payloads(envelope):
        yield _Part(Window.of(ByteView(text)), key=name)


class _Header(NamedTuple):
    """What a header says of its payload, as far as the gate repeats it; the judge is the one that reads it all."""

    class_id: bytes
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


_NAMES = ("class_id", "component_number", "payload_digest", "payload_size", "link_address", "header_block", "flags")
_READ = tuple((Struct(f"<{each.code}"), each.offset) for each in map(field, _NAMES))
"""Where the values of `_Header` stand in a statement."""


def _read_header(head: bytes | memoryview) -> _Header | None:
    if len(head) < STATEMENT_BYTES or bytes(head[: len(MAGIC)]) != MAGIC:
        return None
    return _Header(*(form.unpack_from(head, offset)[0] for form, offset in _READ))


def _leaks(part: _Part, product: Product) -> list[Finding]:
    """Look for private keys that the product file does not allow there."""
    number, link = (None, None) if part.header is None else (part.header.component, part.header.link)
    allowed = allowed_in(each for each in product.components.values() if each.number == number)
    where = "firmware" if part.key is None else "text and numbers"
    found = []
    for leak in find(part.content, allowed):
        address = None if link is None else link + leak.offset
        found.append(leaking(leak, Place(offset=part.offset + leak.offset, address=address, key=part.key), where))
    return found


def scan_firmware(image: MemoryImage, kind: str, policy: Policy, beside: tuple[Finding, ...] = ()) -> Scanned:
    """Say what unsealed firmware would be in a slot, each way that the product file admits, and search it for keys.

    `beside` is what is wrong with the file that it was read from.
    """
    leaks = leaks_of_image(image) if policy.find_keys else {}
    origins: dict[Origin, None] = {}
    digests: dict[tuple[int, int], bytes] = {}
    for product in (target.product for target in policy.targets):
        for component in product.components.values():
            try:
                placed = place_all(image, product, component, "")
            except UsageError:
                continue  # it is not this component's
            loads = []
            for one in placed:
                extent = (one.link_address, one.payload.size)
                if extent not in digests:
                    digests[extent] = one.payload.digest()
                loads.append((one.component.number, one.link_address, digests[extent]))
            left = leaks_left(image, component, placed) if leaks else {}
            origins[Origin(tuple(loads), (*beside, *as_findings(left)))] = None
    return Scanned(kind, (*beside, *as_findings(leaks)), origins=tuple(origins), unsealed=True)


def scan_raw(data: Bytes, policy: Policy, table: Table | None) -> Scanned:
    """Say what a flat binary would be: bytes whose address nobody knows."""
    found = _leaks(_image_part(data, None), policy.targets[0].product) if policy.find_keys else []
    return Scanned("flat binary", tuple(found), origins=(origin_of_bytes(data),), unsealed=True, table=table)


def origin_of_bytes(file: Bytes) -> Origin:
    """Return the way to be the payload of a sealed image byte for byte, without an address."""
    return Origin(((None, None, digest_of(Window.of(file).chunks())),))


def unreadable(error: ImgsealError) -> Finding:
    """Turn the error of a reader into a finding."""
    said = said_by("gate.unreadable", error)
    return said._replace(place=said.place._replace(file=None), hint=said.hint or _USUAL_HINTS[said.code])
