"""A reader and judge of sealed images, written from docs/format/sealed-image.md alone (format 1).

Its author had not seen the code of imgseal. Names and import paths apart it stays as it was written: test_third_image.py says
where it guessed otherwise while the page was silent. Only the published keys were added, when they had got a page.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA256

MAGIC = bytes.fromhex("d5696d677365616c")
STATEMENT_LENGTH = 384
SHA_256 = -16
ESP256 = -9
ML_DSA_44 = -48
# Lengths of the algorithms that the format names (sealed-image.md has 64 for -9; 2420 is FIPS 204 table 2, not said there).
VALUE_LENGTHS = {ESP256: 64, ML_DSA_44: 2420}
CODE, DATA = 1, 2
DEVELOPMENT, DETACHED = 1, 2
RELEASED = 0xFFFFFFFF
P256_ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551

Version = tuple[int, int, int, int]
Product = Mapping[str, Any]


class RefusedError(Exception):
    """A finding after which nothing more is read (sealed-image.md, "Refused")."""

    def __init__(self, code: str) -> None:
        super().__init__(code)
        self.code = code


@dataclass(frozen=True)
class Need:
    """One requirement (sealed-image.md, "The statement", need_*)."""

    component: int
    least: Version
    below: Version | None

    def met_by(self, version: Version) -> bool:
        """Whether a version lies in the half open range; word order is version order."""
        return self.least <= version and (self.below is None or version < self.below)


@dataclass(frozen=True)
class Signature:
    """One used signature slot and its value (sealed-image.md, "Behind the statement")."""

    algorithm: int
    key: bytes
    value: bytes


@dataclass(frozen=True)
class Statement:
    """The fields of the 384 signed bytes (sealed-image.md, "The statement")."""

    raw: bytes
    vendor_id: bytes
    class_id: bytes
    hardware_least: int
    hardware_most: int
    component: int
    kind: int
    version: Version
    counter: int
    needs: tuple[Need, ...]
    digest: bytes
    size: int
    link: int
    entry: int
    header_block: int
    flags: int
    slots: tuple[tuple[int, bytes, int], ...]

    @property
    def detached(self) -> bool:
        """Whether the payload lies apart (sealed-image.md, "Detached form")."""
        return bool(self.flags & DETACHED)


def _u16(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 2], "little")


def _u32(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 4], "little")


def _i32(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 4], "little", signed=True)


def _version(data: bytes, at: int) -> Version:
    major, minor, patch, stage = struct.unpack_from("<4I", data, at)
    return (major, minor, patch, stage)


def _is_version(version: Version) -> bool:
    stage = version[3]
    # Number ffffff of a stage is kept free, so that no pre-release comes near the word of a release.
    return stage == RELEASED or (1 <= stage >> 24 <= 3 and stage & 0xFFFFFF != 0xFFFFFF)


def _require(condition: bool, code: str = "structure.field-invalid") -> None:
    if not condition:
        raise RefusedError(code)


def _read_needs(raw: bytes, count: int, own: int) -> tuple[Need, ...]:
    """The requirements (sealed-image.md, "Rules for the fields", need_*)."""
    needs: list[Need] = []
    for index in range(4):
        component = raw[72 + index]
        least, below = _version(raw, 76 + 16 * index), _version(raw, 140 + 16 * index)
        if index >= count:
            _require(component == 0 and not any(least) and not any(below))
            continue
        _require(component != own and (not needs or needs[-1].component < component))
        _require(_is_version(least))
        if any(below):
            _require(_is_version(below) and below > least)
            needs.append(Need(component, least, below))
        else:
            needs.append(Need(component, least, None))
    return tuple(needs)


def _read_slots(raw: bytes) -> tuple[tuple[int, bytes, int], ...]:
    """The signature slots, without values (sealed-image.md, "Rules for the fields", signature_N_*)."""
    slots: list[tuple[int, bytes, int]] = []
    ended = False
    for index in range(3):
        at = 300 + 24 * index
        algorithm, key, length = _i32(raw, at), raw[at + 4 : at + 20], _u16(raw, at + 20)
        _require(_u16(raw, at + 22) == 0)
        if algorithm == 0:
            ended = True
            _require(not any(key) and length == 0)
            continue
        _require(not ended and length != 0)
        _require(length == VALUE_LENGTHS.get(algorithm, length))
        _require(all((algorithm, key) != (other, name) for other, name, _ in slots))
        slots.append((algorithm, key, length))
    _require(bool(slots))
    return tuple(slots)


def read_statement(data: bytes) -> Statement:
    """Read the first 384 bytes (sealed-image.md, "Rules for the fields"); raises RefusedError."""
    # What is shorter than the magic cannot be told from anything else, so it is not called cut short.
    _require(data[:8] == MAGIC, "structure.unrecognised")
    _require(len(data) >= STATEMENT_LENGTH, "structure.truncated")
    raw = data[:STATEMENT_LENGTH]
    _require((_u16(raw, 8), _u16(raw, 10)) == (1, 0), "structure.format-unsupported")
    least, most = _u16(raw, 44), _u16(raw, 46)
    _require(least <= most)
    component, kind, needs_count, revision_length = raw[48], raw[49], raw[50], raw[51]
    _require(component != 0)
    _require(kind in (CODE, DATA))
    _require(needs_count <= 4)
    _require(revision_length <= 32)
    version = _version(raw, 52)
    _require(_is_version(version))
    needs = _read_needs(raw, needs_count, component)
    _require(not any(raw[212 + revision_length : 244]))
    _require(_i32(raw, 244) == SHA_256)
    size, link, entry, header_block = _u32(raw, 280), _u32(raw, 284), _u32(raw, 288), _u16(raw, 292)
    _require(size != 0 and link + size <= 1 << 32)
    _require(entry < size if kind == CODE else entry == 0)
    _require(header_block % 128 == 0 and 512 <= header_block <= 8192, "structure.header-block")
    _require(_u16(raw, 294) == STATEMENT_LENGTH)
    flags = _u32(raw, 296)
    _require(flags & ~(DEVELOPMENT | DETACHED) == 0, "structure.unknown-flag")
    slots = _read_slots(raw)
    _require(not any(raw[372:384]))
    # Needs all lengths, so it comes last although the field stands earlier.
    _require(STATEMENT_LENGTH + sum(length for _, _, length in slots) <= header_block, "structure.header-block")
    return Statement(
        raw=raw,
        vendor_id=raw[12:28],
        class_id=raw[28:44],
        hardware_least=least,
        hardware_most=most,
        component=component,
        kind=kind,
        version=version,
        counter=_u32(raw, 68),
        needs=needs,
        digest=raw[248:280],
        size=size,
        link=link,
        entry=entry,
        header_block=header_block,
        flags=flags,
        slots=slots,
    )


def read_header(data: bytes) -> tuple[Statement, tuple[Signature, ...]]:
    """Read statement, signature values and fill (sealed-image.md, "Behind the statement"); raises RefusedError."""
    statement = read_statement(data)
    _require(len(data) >= statement.header_block, "structure.truncated")
    at = STATEMENT_LENGTH
    signatures: list[Signature] = []
    for algorithm, key, length in statement.slots:
        signatures.append(Signature(algorithm, key, data[at : at + length]))
        at += length
    fill = data[at : statement.header_block]
    _require(fill.count(0xFF) == len(fill), "structure.fill-not-erased")
    return statement, tuple(signatures)


@dataclass(frozen=True)
class Parts:
    """What lies behind the header block; no content where it is not whole or not alone."""

    content: bytes | None
    rest: bytes
    findings: tuple[str, ...] = ()


def _alone(content: bytes, size: int) -> tuple[str, ...]:
    """Findings of a payload that has to be all of its file (sealed-image.md, first paragraph)."""
    if len(content) < size:
        return ("structure.truncated",)
    return ("structure.bytes-after-payload",) if len(content) > size else ()


def split(data: bytes, statement: Statement, payload: bytes | None, dump: str | None) -> Parts:
    """Payload, and what lies behind it in a slot (sealed-image.md, "Detached form" and "Reading it in order" 5).

    `dump` is None for a file, "header" for the slot of a detached header, else "whole".
    A wrong length does not end the reading: what follows next, steps 2 and 3, needs no payload.
    """
    behind = data[statement.header_block :]
    if statement.detached and dump != "whole":
        findings: tuple[str, ...] = ()
        if dump is None and behind:
            findings += ("structure.bytes-after-payload",)
        findings += ("structure.payload-missing",) if payload is None else _alone(payload, statement.size)
        return Parts(None if findings else payload, behind if dump else b"", findings)
    content, rest = behind[: statement.size], behind[statement.size :]
    findings = _alone(behind if dump is None else content, statement.size)
    return Parts(None if findings else content, rest if dump else b"", findings)


def _verifies(anchor: Mapping[str, Any], value: bytes, message: bytes) -> bool:
    """ESP256 (sealed-image.md, "Behind the statement"): r and s big-endian, both halves of s accepted."""
    r, s = int.from_bytes(value[:32], "big"), int.from_bytes(value[32:], "big")
    point = ec.EllipticCurvePublicNumbers(int(anchor["x"], 16), int(anchor["y"], 16), ec.SECP256R1())
    try:
        point.public_key().verify(encode_dss_signature(r, s), message, ec.ECDSA(SHA256()))
    except InvalidSignature:
        return False
    return True


def _well_formed(value: bytes) -> bool:
    halves = (int.from_bytes(value[:32], "big"), int.from_bytes(value[32:], "big"))
    return all(0 < half < P256_ORDER for half in halves)


def _component(product: Product, number: int) -> Mapping[str, Any] | None:
    for component in product["components"]:
        if component["number"] == number:
            found: Mapping[str, Any] = component
            return found
    return None


@dataclass(frozen=True)
class Trust:
    """Findings of trust and signatures, and whether a development key is among the signers."""

    findings: tuple[str, ...] = ()
    development: bool = False


def _trust(
    product: Product,
    statement: Statement,
    signatures: Sequence[Signature],
    revoked: Sequence[str],
    development: bool,
    published: Collection[str],
) -> Trust:
    """Who signed (sealed-image.md, "Reading it in order" 2; product-file.md "[trust]"); the policy is the product's."""
    known = [signature for signature in signatures if signature.algorithm == ESP256]
    if not known:
        return Trust(("trust.algorithm-not-allowed",))
    component = _component(product, statement.component)
    findings: list[str] = []
    trusted: list[tuple[Signature, Mapping[str, Any]]] = []
    for signature in known:
        for anchor in product["anchors"]:
            if "x" not in anchor or bytes.fromhex(anchor["key_id"]) != signature.key:
                continue
            # A key for packages is no key for images at all, nor is a development key in an ordinary judgement.
            if anchor["role"] != "images" or (anchor["development"] and not development):
                continue
            named = anchor["components"]
            if anchor["other_class"] or (named and (component is None or component["name"] not in named)):
                findings.append("trust.key-not-for-this")
            elif signature.key.hex() in revoked:
                findings.append("trust.key-revoked")
            else:
                trusted.append((signature, anchor))
    # From the kit: a listed key in the wrong place, or a revoked one, refuses even beside a good signature.
    if findings:
        return Trust(tuple(findings))
    if not trusted:
        # published-keys.md: the tool names what everybody has, a device has no such list.
        return Trust(("trust.example-key" if known[0].key.hex() in published else "trust.unknown-key",))
    for signature, anchor in trusted:
        if not _well_formed(signature.value):
            return Trust(("signature.malformed",))
        if not _verifies(anchor, signature.value, statement.raw):
            return Trust(("signature.does-not-verify",))
    # No two slots have the same key (sealed-image.md, signature_N_key), so these are distinct signers.
    if len(trusted) < product["need"]["images"]:
        return Trust(("trust.too-few-signatures",))
    return Trust((), any(anchor["development"] for _, anchor in trusted))


def _identity(product: Product, statement: Statement, device: Mapping[str, Any] | None) -> list[str]:
    """Vendor, class, revision, component (sealed-image.md, "Rules for the fields")."""
    findings: list[str] = []
    if statement.vendor_id.hex() != product["vendor_id"]:
        findings.append("identity.wrong-vendor")
    if statement.class_id.hex() != product["class_id"]:
        findings.append("identity.wrong-class")
    # A fresh device stands for every hardware revision of the product (device-state.md).
    least, most = product["hardware"] if device is None else (device["hardware"], device["hardware"])
    if not (statement.hardware_least <= least and most <= statement.hardware_most):
        findings.append("identity.wrong-hardware")
    component = _component(product, statement.component)
    if component is None:
        findings.append("identity.unknown-component")
    elif (component["kind"] == "code") != (statement.kind == CODE):
        findings.append("identity.wrong-kind")
    return findings


def _parse_version(text: str) -> Version:
    """A version of the product file or device state, such as "2.4.1-rc.1" (product-file.md, "[release]")."""
    plain, _, stage = text.partition("-")
    major, minor, patch = (int(part) for part in plain.split("."))
    if not stage:
        return (major, minor, patch, RELEASED)
    name, _, number = stage.partition(".")
    return (major, minor, patch, ({"alpha": 1, "beta": 2, "rc": 3}[name] << 24) + int(number))


def _running(product: Product, device: Mapping[str, Any], held: Mapping[str, bytes], number: int) -> Statement | None:
    """The statement of the image that a device's set has of a component (device-state.md, `current`)."""
    component = _component(product, number)
    member = device.get("current", {}).get(str(number))
    if component is None or member is None:
        return None
    slots = component["header"] or component["run"]
    content = held.get(slots[member["slot"]])
    if content is None:
        return None
    try:
        statement, _ = read_header(content)
    except RefusedError:
        return None
    wanted = member.get("statement")
    if statement.component != number or (wanted and hashlib.sha256(statement.raw).hexdigest() != wanted):
        return None
    return statement


def _bootloader(product: Product, device: Mapping[str, Any] | None) -> Version | None:
    """The bootloader's version (device-state.md): only a fresh device has the product file's."""
    text = product["bootloader"] if device is None else device.get("bootloader")
    return None if text is None else _parse_version(text)


def _needs(
    product: Product, statement: Statement, device: Mapping[str, Any] | None, held: Mapping[str, bytes]
) -> list[str]:
    """Requirements (sealed-image.md, need_*): on the bootloader and on the set that the device has."""
    findings: list[str] = []
    for need in statement.needs:
        if need.component == 0:
            version = _bootloader(product, device)
        elif device is None:
            # Nothing is installed on a fresh device, so what will stand beside this image is not known.
            continue
        else:
            other = _running(product, device, held, need.component)
            version = None if other is None else other.version
        if version is None or not need.met_by(version):
            findings.append("rules.requirement-not-met")
    return findings


def _rules(
    product: Product,
    statement: Statement,
    component: Mapping[str, Any] | None,
    development: bool,
    signed_in_development: bool,
) -> list[str]:
    """Development, and code in untrusted memory (product-file.md "[rules]" and "[trust.development]")."""
    findings: list[str] = []
    marked = bool(statement.flags & DEVELOPMENT)
    if marked and not development:
        findings.append("rules.development-image")
    # From the kit: a development key signs images with the development flag only.
    if signed_in_development and not marked:
        findings.append("rules.development-mixed")
    if (
        component is not None
        and component["kind"] == "code"
        and product["external_code"] == "refuse"
        and not all(product["slots"][name]["trusted"] for name in component["run"])
    ):
        findings.append("rules.external-code")
    return findings


def _placement(product: Product, statement: Statement, component: Mapping[str, Any], slot: str | None) -> list[str]:
    """Where the image belongs (sealed-image.md, link_address, header_block, payload_size).

    Address and room are reckoned with the product's header block, so that another one is one finding, not three.
    """
    findings: list[str] = []
    block: int = component["header_block"]
    if statement.header_block != block:
        findings.append("placement.header-block")
    apart = bool(component["header"])
    before = 0 if apart else block
    targets = [name for name in component["run"] if product["slots"][name]["base"] + before == statement.link]
    # A form that the component does not have lies nowhere right, whatever its address is.
    if not targets or statement.detached != apart:
        findings.append("placement.wrong-address")
        targets = list(component["run"])
    homes = [component["header"][component["run"].index(name)] for name in targets] if apart else targets
    if slot is not None and slot not in (*homes, *component["waiting"]):
        findings.append("placement.wrong-slot")
    if statement.size > max(product["slots"][name]["size"] for name in targets) - before:
        findings.append("placement.larger-than-slot")
    return findings


def _content(product: Product, statement: Statement, component: Mapping[str, Any], payload: bytes) -> list[str]:
    """The vector table (sealed-image.md, "Reading it in order" 4)."""
    if statement.kind != CODE:
        return []
    findings: list[str] = []
    fits = statement.entry + 4 * component["vectors"] <= statement.size
    alignment = component["vector_alignment"]
    if not fits or (alignment and (statement.link + statement.entry) % alignment):
        findings.append("content.vector-table")
    if not fits:
        return findings
    stack, reset = _u32(payload, statement.entry), _u32(payload, statement.entry + 4)
    # The stack grows down: its first word lies below the initial pointer, which may be the end of RAM.
    if stack % 8 or not any(base < stack <= base + size for base, size in product["ram"]):
        findings.append("content.stack-pointer")
    # Bit 0 says Thumb and belongs to no address.
    if not reset & 1 or not statement.link <= reset - 1 < statement.link + statement.size:
        findings.append("content.reset-vector")
    return findings


def _dump_form(product: Product, slot: str | None) -> str | None:
    """What a dump of a slot holds: a detached header alone, or what waits or runs whole (product-file.md)."""
    if slot is None:
        return None
    apart = any(slot in component["header"] for component in product["components"])
    return "header" if apart else "whole"


def judge(
    product: Product,
    artefact: bytes,
    payload: bytes | None = None,
    slot: str | None = None,
    device: Mapping[str, Any] | None = None,
    held: Mapping[str, bytes] | None = None,
    development: bool = False,
    published: Collection[str] = (),
) -> list[str]:
    """The finding codes of one artefact in order, empty if accepted (sealed-image.md, "Reading it in order")."""
    # The plain values do not say which algorithms must verify (`rules.must_verify`), so accepting here would be a guess.
    if any("x" not in anchor for anchor in product["anchors"] if anchor["role"] == "images"):
        raise NotImplementedError("this reader verifies ESP256 alone")
    # Read as a slot, a dump of another size says nothing of this one.
    if slot is not None and len(artefact) != product["slots"][slot]["size"]:
        return ["placement.dump-size"]
    try:
        statement, signatures = read_header(artefact)
    except RefusedError as refused:
        return [refused.code]
    parts = split(artefact, statement, payload, _dump_form(product, slot))
    findings = list(parts.findings)
    revoked: Sequence[str] = [] if device is None else device.get("revoked", [])
    trust = _trust(product, statement, signatures, revoked, development, published)
    findings += trust.findings
    # Nothing that nobody vouches for is acted upon (sealed-image.md, "Reading it in order" 3: "only now").
    if trust.findings:
        return findings
    component = _component(product, statement.component)
    identity = _identity(product, statement, device)
    findings += identity
    # From the kit: what waits in a staging or keep slot is refused, because no package vouches for it there.
    if slot is not None and any(slot in other["waiting"] for other in product["components"]):
        findings.append("rules.no-package")
    findings += _rules(product, statement, component, development, trust.development)
    findings += _needs(product, statement, device, held or {})
    counters: Mapping[str, int] = {} if device is None else device.get("counters", {})
    if statement.counter < counters.get(str(statement.component), 0):
        findings.append("rollback.counter-too-low")
    placement: list[str] = []
    if component is not None:
        placement = _placement(product, statement, component, slot)
        findings += placement
    if parts.content is None:
        return findings
    if hashlib.sha256(parts.content).digest() != statement.digest:
        findings.append("digest.payload")
    elif component is not None and "identity.wrong-kind" not in identity and "placement.wrong-address" not in placement:
        # Both say that the table is not where, or not what, the product's core would read.
        findings += _content(product, statement, component, parts.content)
    if parts.rest.count(0xFF) != len(parts.rest):
        findings.append("content.rest-not-erased")
    return findings
