"""A reader and judge of sealed images that follows the pages of docs/format alone (format 1).

It imports nothing of imgseal and shares no code with it. A section without a page is one of sealed-image.md.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.mldsa import MLDSA44PublicKey
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA256

MAGIC = bytes.fromhex("d5696d677365616c")
STATEMENT_LENGTH = 384
SHA_256 = -16
ESP256 = -9
ML_DSA_44 = -48
# "Rules for the fields", signature_N_length; others of another algorithm are only skipped.
VALUE_LENGTHS = {ESP256: 64, ML_DSA_44: 2420}
# Names of product-file.md, "[rules]"; a P-256 key signs images as ESP256 whichever the product says ("Who signed").
ALGORITHMS = {"ESP256": ESP256, "ES256": ESP256, "ML-DSA-44": ML_DSA_44}
MOST_READ = 512 << 20
CODE, DATA = 1, 2
DEVELOPMENT, DETACHED = 1, 2
RELEASED = 0xFFFFFFFF
P256_ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551

Version = tuple[int, int, int, int]
Product = Mapping[str, Any]
Anchor = Mapping[str, Any]


class RefusedError(Exception):
    """The first fault of the structure, behind which nothing more is read ("The checks", `header`)."""

    def __init__(self, code: str) -> None:
        super().__init__(code)
        self.code = code


@dataclass(frozen=True)
class Need:
    """One requirement ("The statement", need_*)."""

    component: int
    least: Version
    below: Version | None

    def met_by(self, version: Version) -> bool:
        """Whether a version lies in the half open range; word order is version order."""
        return self.least <= version and (self.below is None or version < self.below)


@dataclass(frozen=True)
class Signature:
    """One used signature slot and its value ("Behind the statement")."""

    algorithm: int
    key: bytes
    value: bytes


@dataclass(frozen=True)
class Statement:
    """The fields of the 384 signed bytes ("The statement")."""

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
        """Whether the payload lies apart ("Detached form")."""
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
    """The requirements ("Rules for the fields", need_*)."""
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
    """The signature slots, without values ("Rules for the fields", signature_N_*)."""
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
    """Read the first 384 bytes ("Rules for the fields", in the order of "The checks"); raises RefusedError."""
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
    needs = _read_needs(raw, needs_count, component)
    _require(not any(raw[212 + revision_length : 244]))
    _require(_i32(raw, 244) == SHA_256)
    size, link, entry, header_block = _u32(raw, 280), _u32(raw, 284), _u32(raw, 288), _u16(raw, 292)
    _require(size != 0 and link + size <= 1 << 32)
    _require(entry < size if kind == CODE else entry == 0)
    _require(_u16(raw, 294) == STATEMENT_LENGTH)
    flags = _u32(raw, 296)
    _require(flags & ~(DEVELOPMENT | DETACHED) == 0, "structure.unknown-flag")
    slots = _read_slots(raw)
    _require(not any(raw[372:384]))
    _require(header_block % 128 == 0 and 512 <= header_block <= 8192, "structure.header-block")
    _require(STATEMENT_LENGTH + sum(length for _, _, length in slots) <= header_block, "structure.header-block")
    version = _version(raw, 52)
    _require(_is_version(version))
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
    """Read statement, signature values and fill ("Behind the statement"); raises RefusedError."""
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
    behind_header: bytes = b""


def split(data: bytes, statement: Statement, payload: bytes | None, dump: str | None) -> Parts:
    """Payload, and what lies behind it in a slot ("The checks", `extent`); `dump` is None for a file, else its slot.

    Of a detached image the payload is the dump, and what lies behind the header block of a dump is looked at last: so a
    staging slot reads as a header whose payload was not given ("The checks", A dump).
    """
    behind, findings = data[statement.header_block :], list[str]()
    behind_header = behind if statement.detached and dump is not None else b""
    if statement.detached:
        if behind and dump is None:
            findings.append("structure.bytes-after-payload")
        if payload is None:
            return Parts(None, b"", (*findings, "structure.payload-missing"))
        behind = payload
    content, rest = behind[: statement.size], behind[statement.size :]
    if len(content) < statement.size:
        findings.append("structure.truncated")
    elif rest and dump is None:
        findings.append("structure.bytes-after-payload")
    return Parts(None if findings else content, rest if dump else b"", tuple(findings), behind_header)


def _well_formed(value: bytes) -> bool:
    halves = (int.from_bytes(value[:32], "big"), int.from_bytes(value[32:], "big"))
    return all(0 < half < P256_ORDER for half in halves)


def _verifies(anchor: Anchor, signature: Signature, message: bytes) -> bool:
    """Pure ML-DSA-44 with the empty context, or ESP256 with either half of s ("Behind the statement")."""
    value = signature.value
    try:
        if signature.algorithm == ML_DSA_44:
            MLDSA44PublicKey.from_public_bytes(bytes.fromhex(anchor["ml_dsa_44"])).verify(value, message)
        else:
            r, s = int.from_bytes(value[:32], "big"), int.from_bytes(value[32:], "big")
            point = ec.EllipticCurvePublicNumbers(int(anchor["x"], 16), int(anchor["y"], 16), ec.SECP256R1())
            point.public_key().verify(encode_dss_signature(r, s), message, ec.ECDSA(SHA256()))
    except InvalidSignature:
        return False
    return True


def _component(product: Product, number: int) -> Mapping[str, Any] | None:
    found: Mapping[str, Any] | None = next((one for one in product["components"] if one["number"] == number), None)
    return found


def _parse_version(text: str) -> Version:
    """A version of the product file or device state, such as "2.4.1-rc.1" (product-file.md, "[release]")."""
    plain, _, stage = text.partition("-")
    major, minor, patch = (int(part) for part in plain.split("."))
    if not stage:
        return (major, minor, patch, RELEASED)
    name, _, number = stage.partition(".")
    return (major, minor, patch, ({"alpha": 1, "beta": 2, "rc": 3}[name] << 24) + int(number))


@dataclass
class _Judgement:
    """What is judged, and what the checks leave for those behind them; a method is a row of the table in "The checks".

    The fields below `published` are set by the checks `header`, `extent` and `key`, which all that read them need.
    """

    product: Product
    artefact: bytes
    payload: bytes | None
    slot: str | None
    device: Mapping[str, Any] | None
    held: Mapping[str, bytes]
    development: bool
    published: Collection[str]
    statement: Statement = field(init=False)
    signatures: list[Signature] = field(init=False)
    part: Mapping[str, Any] = field(init=False)
    parts: Parts = field(init=False)
    left: list[tuple[Signature, Anchor]] = field(init=False)

    def header(self) -> list[str]:
        """The structure; of the signature slots only those with an algorithm of the product are kept."""
        if len(self.artefact) > MOST_READ:
            return ["structure.too-large"]
        try:
            self.statement, signatures = read_header(self.artefact)
        except RefusedError as refused:
            return [refused.code]
        listed = {ALGORITHMS[name] for name in self.product["image_algorithms"]}
        self.signatures = [signature for signature in signatures if signature.algorithm in listed]
        # Empty where the product has no such component: then only checks that need `component` would miss it.
        self.part = _component(self.product, self.statement.component) or {}
        return []

    def extent(self) -> list[str]:
        """As much payload as is announced."""
        self.parts = split(self.artefact, self.statement, self.payload, self.slot)
        return list(self.parts.findings)

    def algorithm(self) -> list[str]:
        """A slot with an algorithm of the product."""
        return [] if self.signatures else ["trust.algorithm-not-allowed"]

    def _anchor(self, signature: Signature) -> Anchor | None:
        """The trust anchor that a slot names ("Who signed" 1)."""
        member = "ml_dsa_44" if signature.algorithm == ML_DSA_44 else "x"
        for anchor in self.product["anchors"]:
            admitted = anchor["role"] == "images" and (self.development or not anchor["development"])
            if admitted and member in anchor and bytes.fromhex(anchor["key_id"]) == signature.key:
                found: Anchor = anchor
                return found
        return None

    def _refused(self, name: str, anchor: Anchor) -> str | None:
        """Why a trust anchor refuses the image ("Who signed" 2; published-keys.md on trust anchors)."""
        excepted = anchor["development"] and self.product["example_keys"] == "development"
        if name in self.published and not excepted:
            return "trust.example-key"
        if self.device is not None and name in (self.device.get("revoked") or ()):
            return "trust.key-revoked"
        named = anchor["components"]
        if anchor["other_class"] or (named and self.part.get("name") not in named):
            return "trust.key-not-for-this"
        return None

    def key(self) -> list[str]:
        """Who signed ("Who signed"); the policy is the product's."""
        self.left = []
        over: list[Signature] = []
        findings: list[str] = []
        for signature in self.signatures:
            anchor = self._anchor(signature)
            if anchor is None:
                over.append(signature)
            elif code := self._refused(signature.key.hex(), anchor):
                findings.append(code)
            else:
                self.left.append((signature, anchor))
        # 4 speaks of images that 2 and 3 have not refused: else each key that 2 refuses were too few as well.
        if findings:
            return findings
        if not self.left:
            return self._unknown(over)
        # No two slots have the same key ("Rules for the fields", signature_N_key), so these are distinct.
        need = 1 if self.left[0][1]["development"] else self.product["need"]["images"]
        must = {ALGORITHMS[name] for name in self.product["must_verify"]}
        for algorithm in dict.fromkeys(ALGORITHMS[name] for name in self.product["image_algorithms"]):
            count = sum(signature.algorithm == algorithm for signature, _ in self.left)
            if algorithm in must and count < need:
                unknown = self._unknown([signature for signature in over if signature.algorithm == algorithm])
                findings += unknown if unknown and not count else ["trust.too-few-signatures"]
        return findings

    def _unknown(self, signatures: Sequence[Signature]) -> list[str]:
        """Findings of slots that were passed over ("Who signed" 3)."""
        return [
            "trust.example-key" if signature.key.hex() in self.published else "trust.unknown-key"
            for signature in signatures
        ]

    def signature(self) -> list[str]:
        """Every signature whose key is trusted, also of an algorithm that need not be there."""
        findings: list[str] = []
        for signature, anchor in self.left:
            if signature.algorithm == ESP256 and not _well_formed(signature.value):
                findings.append("signature.malformed")
            elif not _verifies(anchor, signature, self.statement.raw):
                findings.append("signature.does-not-verify")
        return findings

    def vendor(self) -> list[str]:
        """The vendor identifier."""
        return [] if self.statement.vendor_id.hex() == self.product["vendor_id"] else ["identity.wrong-vendor"]

    def class_(self) -> list[str]:
        """The class identifier."""
        return [] if self.statement.class_id.hex() == self.product["class_id"] else ["identity.wrong-class"]

    def hardware(self) -> list[str]:
        """The device's revision; a fresh device stands for every one of the product (device-state.md)."""
        least, most = self.product["hardware"] if self.device is None else [self.device["hardware"]] * 2
        fits = self.statement.hardware_least <= least and most <= self.statement.hardware_most
        return [] if fits else ["identity.wrong-hardware"]

    def component(self) -> list[str]:
        """A component of this number and kind."""
        if not self.part:
            return ["identity.unknown-component"]
        return [] if (self.part["kind"] == "code") == (self.statement.kind == CODE) else ["identity.wrong-kind"]

    def development_(self) -> list[str]:
        """The flag, and who may sign without it."""
        if self.statement.flags & DEVELOPMENT:
            return [] if self.development else ["rules.development-image"]
        return ["rules.development-mixed"] if any(anchor["development"] for _, anchor in self.left) else []

    def _linked(self) -> str | None:
        """The run slot that the image is linked for ("Rules for the fields", link_address)."""
        before = 0 if self.statement.detached else self.part["header_block"]
        bases = {self.product["slots"][name]["base"] + before: name for name in self.part["run"]}
        return bases.get(self.statement.link)

    def external_code(self) -> list[str]:
        """Code that runs from memory that is not trusted."""
        linked = self._linked()
        trusted = linked is None or self.product["slots"][linked]["trusted"]
        refused = self.statement.kind == CODE and not trusted and self.product["external_code"] == "refuse"
        return ["rules.external-code"] if refused else []

    def _version_of(self, number: int) -> Version | None:
        """The version that the device has of a component or of its bootloader; None if not known ("Requirements")."""
        if number == 0:
            text = self.product["bootloader"] if self.device is None else self.device.get("bootloader")
            return None if text is None else _parse_version(text)
        running = self._running(number)
        return None if running is None else running.version

    def _running(self, number: int) -> Statement | None:
        """What the header of the component that runs says, if it reads and is the component's."""
        component = _component(self.product, number)
        member = ((self.device or {}).get("current") or {}).get(str(number))
        if component is None or member is None:
            return None
        slots = component["header"] or component["run"]
        content = self.held.get(slots[member["slot"]]) if member["slot"] < len(slots) else None
        try:
            statement, _ = read_header(content or b"")
        except RefusedError:
            return None
        return statement if statement.component == number else None

    def _floor(self) -> int:
        """The counter of what runs, where the device says that its storage has not taken it ("Unraised")."""
        device = self.device or {}
        member = (device.get("current") or {}).get(str(self.statement.component))
        running = self._running(self.statement.component)
        if not device.get("unraised") or device.get("trial") is not None or member is None or running is None:
            return 0
        its_own = member.get("statement") in (None, hashlib.sha256(running.raw).hexdigest())
        return running.counter if its_own else 0

    def requirements(self) -> list[str]:
        """Each requirement; on other components they are left open for a fresh device."""
        findings: list[str] = []
        for need in self.statement.needs:
            version = self._version_of(need.component)
            left_open = self.device is None and need.component != 0
            if not left_open and (version is None or not need.met_by(version)):
                findings.append("rules.requirement-not-met")
        return findings

    def package(self) -> list[str]:
        """What waits in a staging or keep slot, of any component."""
        waits = any(self.slot in component["waiting"] for component in self.product["components"])
        return ["rules.no-package"] if waits else []

    def counter(self) -> list[str]:
        """The anti-rollback counter; 0 where the device has none (device-state.md, `counters`)."""
        counters: Mapping[str, int] = {} if self.device is None else self.device["counters"]
        known = counters.get(str(self.statement.component), 0)
        if self.statement.counter < max(known, self._floor()):
            return ["rollback.counter-too-low"]
        jump = self.part.get("counter_jump")
        leaps = known > 0 and jump is not None and self.statement.counter - known > jump
        far = leaps or self.statement.counter > self.part.get("counter_most", RELEASED)
        return ["rollback.counter-out-of-reach"] if far else []

    def header_block(self) -> list[str]:
        """The product's size of header block."""
        return [] if self.statement.header_block == self.part["header_block"] else ["placement.header-block"]

    def address(self) -> list[str]:
        """Form and link address; one code, so one finding ("Each code is one finding")."""
        fits = self.statement.detached == bool(self.part["header"]) and self._linked() is not None
        return [] if fits else ["placement.wrong-address"]

    def size(self) -> list[str]:
        """The room of the run slot that the image is linked for ("Rules for the fields", payload_size)."""
        before = 0 if self.statement.detached else self.part["header_block"]
        room = self.product["slots"][self._linked()]["size"] - before
        return ["placement.larger-than-slot"] if self.statement.size > room else []

    def dump(self) -> list[str]:
        """Size and slot of a dump; of a detached image it is the payload, where one was given ("A dump")."""
        if self.slot is None:
            return []
        findings: list[str] = []
        dumped = self.payload if self.statement.detached and self.payload is not None else self.artefact
        if len(dumped) != self.product["slots"][self.slot]["size"]:
            findings.append("placement.dump-size")
        linked = self._linked()
        if linked is not None and self.slot not in (linked, *self.part["waiting"]):
            findings.append("placement.wrong-slot")
        return findings

    def payload_(self) -> list[str]:
        """The digest of the payload."""
        same = hashlib.sha256(self.parts.content or b"").digest() == self.statement.digest
        return [] if same else ["digest.payload"]

    def vectors(self) -> list[str]:
        """The vector table of code ("The vector table")."""
        if not self.part["vectors"]:
            return []
        statement, payload, findings = self.statement, self.parts.content or b"", list[str]()
        alignment = self.part["vector_alignment"]
        if alignment and (statement.link + statement.entry) % alignment:
            findings.append("content.vector-table")
        if statement.entry + 4 * self.part["vectors"] > statement.size:
            return [*findings, "content.vector-table"]
        stack, reset = _u32(payload, statement.entry), _u32(payload, statement.entry + 4)
        if stack % 8 or not any(base < stack <= base + size for base, size in self.part["ram"]):
            findings.append("content.stack-pointer")
        if not reset & 1 or not statement.link <= reset - 1 < statement.link + statement.size:
            findings.append("content.reset-vector")
        return findings

    def rest(self) -> list[str]:
        """The rest of a dump, once behind a detached header and once behind the payload; a file has none."""
        header = b"" if self.slot in self.part["waiting"] else self.parts.behind_header
        return ["content.rest-not-erased" for rest in (header, self.parts.rest) if rest.count(0xFF) != len(rest)]


# The table of "The checks" without `layers`, which is for packages only: a check, and the checks that it needs.
_CHECKS: tuple[tuple[str, str, Callable[[_Judgement], list[str]]], ...] = (
    ("header", "", _Judgement.header),
    ("extent", "header", _Judgement.extent),
    ("algorithm", "header", _Judgement.algorithm),
    ("key", "algorithm", _Judgement.key),
    ("signature", "key", _Judgement.signature),
    ("vendor", "signature", _Judgement.vendor),
    ("class", "signature", _Judgement.class_),
    ("hardware", "signature", _Judgement.hardware),
    ("component", "signature", _Judgement.component),
    ("development", "signature", _Judgement.development_),
    ("external-code", "component", _Judgement.external_code),
    ("requirements", "signature", _Judgement.requirements),
    ("package", "component", _Judgement.package),
    ("counter", "signature", _Judgement.counter),
    ("header-block", "component", _Judgement.header_block),
    ("address", "component", _Judgement.address),
    ("size", "address", _Judgement.size),
    ("dump", "component", _Judgement.dump),
    ("payload", "signature extent component address size dump", _Judgement.payload_),
    ("vectors", "payload", _Judgement.vectors),
    ("rest", "payload", _Judgement.rest),
)


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
    """The finding codes of one artefact in order, empty if accepted ("The checks", first paragraph)."""
    judgement = _Judgement(product, artefact, payload, slot, device, held or {}, development, published)
    findings: list[str] = []
    passed: set[str] = set()
    for name, needs, check in _CHECKS:
        if passed.issuperset(needs.split()):
            found = check(judgement)
            findings += found
            if not found:
                passed.add(name)
    return findings
