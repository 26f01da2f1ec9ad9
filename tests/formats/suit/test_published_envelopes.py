"""All 23 published SUIT envelopes: digests, signatures, one changed bit, the same bytes again, and what running them gives.

Origin: tests/vectors/suit-envelopes.json says from which draft each comes.
"""

import hashlib
import hmac
import json
import uuid
from pathlib import Path
from typing import Any

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA256

from imgseal.check.machine.executor import Machine
from imgseal.formats.cbor.strict import CborError, Tag, decode, encode
from imgseal.formats.cose.sign1 import CoseError, take_apart, to_be_signed
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Sequence, decode_sequence
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import decode_envelope, envelope_pieces, wrapped_digest
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.manifest import Manifest, decode_manifest, encode_manifest, encode_member
from imgseal.formats.suit.text import decode_text

VECTORS = json.loads((Path(__file__).parents[2] / "vectors" / "suit-envelopes.json").read_text())
ENVELOPES: list[dict[str, Any]] = VECTORS["envelopes"]
NAMES = [f"{e['name']}, {e['variant']}" for e in ENVELOPES]


def raw(entry: dict[str, Any]) -> bytes:
    return bytes.fromhex(entry["envelope"])


def verifies(entry: dict[str, Any], data: bytes) -> bool:
    """Check every authentication block of an envelope with the library's own primitives, not with ours."""
    envelope = decode_envelope(data)
    if len(envelope.blocks) != len(entry["authentication"]) or wrapped_digest(envelope.manifest) != envelope.digest:
        return False
    for block, expected in zip(envelope.blocks, entry["authentication"], strict=True):
        key = VECTORS["keys"][expected["key"]]
        if "key" in key:
            value = decode(block, "block", tags=frozenset({17}))
            if not isinstance(value, Tag) or not isinstance(value.value, list) or len(value.value) != 4:
                return False
            protected, unprotected, payload, tag = value.value
            if (protected, unprotected, payload) != (b"\xa1\x01\x05", {}, None) or not isinstance(tag, bytes):
                return False
            message = encode(["MAC0", protected, b"", envelope.digest_bytes])
            if not hmac.compare_digest(hmac.digest(bytes.fromhex(key["key"]), message, "sha256"), tag):
                return False
            continue
        sign1 = take_apart(block)
        if sign1.algorithm != expected["algorithm"] or len(sign1.signature) != 64:
            return False
        public = ec.EllipticCurvePublicNumbers(int(key["x"], 16), int(key["y"], 16), ec.SECP256R1()).public_key()
        r, s = int.from_bytes(sign1.signature[:32]), int.from_bytes(sign1.signature[32:])
        message = to_be_signed(sign1.protected, envelope.digest_bytes)
        try:
            public.verify(encode_dss_signature(r, s), message, ec.ECDSA(SHA256()))
        except InvalidSignature:
            return False
    return True


def test_there_are_23_with_14_signatures_and_3_macs() -> None:
    kinds = [block["cose"] for entry in ENVELOPES for block in entry["authentication"]]
    assert (len(ENVELOPES), kinds.count("COSE_Sign1 (18)"), kinds.count("COSE_Mac0 (17)")) == (23, 14, 3)


@pytest.mark.parametrize("entry", ENVELOPES, ids=NAMES)
def test_digest_and_authentication(entry: dict[str, Any]) -> None:
    envelope = decode_envelope(raw(entry))
    assert envelope.digest == SuitDigest(-16, bytes.fromhex(entry["manifest_digest"]))
    assert wrapped_digest(envelope.manifest) == envelope.digest
    assert verifies(entry, raw(entry))


@pytest.mark.parametrize("entry", ENVELOPES, ids=NAMES)
def test_decoding_and_encoding_gives_the_same_bytes(entry: dict[str, Any]) -> None:
    envelope = decode_envelope(raw(entry))
    manifest = decode_manifest(envelope.manifest)
    assert manifest.sequence_number == entry["sequence_number"]
    assert [[part.hex() for part in identity] for identity in manifest.components] == entry["components"]
    assert encode_manifest(manifest) == envelope.manifest
    for label, content in envelope.severed.items():
        name = labels.MANIFEST_MEMBERS[label]
        member = decode_text(content, name) if label == labels.TEXT else decode_sequence(content, name)
        assert encode_member(member) == content
        digest = manifest.members[label]
        assert digest == wrapped_digest(content)
    payloads = {key: (len(view), iter([view])) for key, view in envelope.payloads.items()}
    again = b"".join(
        envelope_pieces(envelope.digest_bytes, envelope.blocks, envelope.manifest, envelope.severed, payloads)
    )
    assert again == raw(entry)


@pytest.mark.parametrize("entry", ENVELOPES, ids=NAMES)
def test_one_changed_bit_is_refused(entry: dict[str, Any]) -> None:
    """Wrapper and manifest, each byte, all bits of the shorter ones: refused by a reader, the digest, or the signature."""
    data = raw(entry)
    envelope = decode_envelope(data)
    end = data.index(envelope.manifest) + len(envelope.manifest)
    for offset in range(end):
        for bit in range(8) if len(data) < 300 else (offset % 8,):
            changed = bytearray(data)
            changed[offset] ^= 1 << bit
            assert not accepted(entry, bytes(changed)), (offset, bit)


def accepted(entry: dict[str, Any], data: bytes) -> bool:
    try:
        return verifies(entry, data)
    except (SuitError, CoseError, CborError):
        return False


def test_identifiers_are_those_of_rfc_9562_name_based_uuids() -> None:
    """Vendor = UUIDv5(DNS, "arm.com"), class = UUIDv5(vendor, "suit"), as the draft's examples state."""
    from imgseal.product.identifiers import class_identifier, vendor_identifier

    vendor = vendor_identifier("arm.com")
    assert vendor == uuid.uuid5(uuid.NAMESPACE_DNS, "arm.com").bytes
    assert str(uuid.UUID(bytes=vendor)) == VECTORS["identifiers"]["vendor_id"]["uuid"]
    class_id = class_identifier(vendor, "suit")
    assert str(uuid.UUID(bytes=class_id)) == VECTORS["identifiers"]["class_id"]["uuid"]


class Device:
    """A device that fits the examples: their vendor and class, and whatever content is put into its components."""

    def __init__(self, payloads: dict[str, bytes], contents: dict[int, bytes], slot: int = 0) -> None:
        self.contents = {index: memoryview(data) for index, data in contents.items()}
        self.payloads = payloads
        self._slot = slot
        self.invoked: int | None = None

    def identity(self, index: int, kind: int) -> bytes:
        name = "vendor_id" if kind == labels.CONDITION_VENDOR else "class_id"
        return uuid.UUID(VECTORS["identifiers"][name]["uuid"]).bytes

    def slot(self, index: int) -> int:
        return self._slot

    def content(self, index: int) -> memoryview | None:
        return self.contents.get(index)

    def store(self, index: int, data: memoryview) -> None:
        self.contents[index] = data

    def holds(self, index: int) -> bool:
        return False

    def payload(self, uri: str) -> memoryview | None:
        found = self.payloads.get(uri)
        return None if found is None else memoryview(found)

    def battery(self) -> int | None:
        return None

    def authorised(self, priority: int) -> bool:
        return True

    def version(self, index: int) -> tuple[int, ...] | None:
        return None

    def invoke(self, index: int) -> None:
        self.invoked = index


def sections(manifest: Manifest, severed: dict[int, bytes], wanted: tuple[int, ...]) -> list[tuple[str, Sequence]]:
    out = []
    for label in wanted:
        member = manifest.members.get(label)
        if isinstance(member, SuitDigest):
            member = decode_sequence(severed[label], "severed") if label in severed else None
        if member is not None:
            assert isinstance(member, tuple)
            out.append((labels.MANIFEST_MEMBERS[label], member))
    return out  # type: ignore[return-value]


UPDATE, START = (16, 20, 7), (7, 8, 9)
EMPTY = ("digest.image", "validate[0]")
# by position in the vectors: why the update procedure stops, and where; None where it runs to its end. The examples fetch
# from elsewhere, name placeholder digests without published images, or need dependencies or encryption.
OUTCOMES: list[tuple[str, str] | None] = [
    *[EMPTY] * 2,
    *[("rules.directive-failed", "install[1]")] * 2,
    *[EMPTY] * 2,
    *[("rules.directive-failed", "install[1]")] * 3,
    *[("rules.directive-failed", "payload fetch[2]")] * 2,
    *[("rules.directive-failed", "install[2]")] * 2,
    None,
    *[("rules.directive-failed", "install[0]")] * 2,
    None,
    ("rules.command-unsupported", "install[0]"),
    *[("rules.directive-failed", "install[2]")] * 2,
    *[("rules.command-unsupported", "install[1]")] * 2,
    ("rules.condition-failed", "install[1]"),
]


@pytest.mark.parametrize(("entry", "expected"), list(zip(ENVELOPES, OUTCOMES, strict=True)), ids=NAMES)
def test_running_them(entry: dict[str, Any], expected: tuple[str, str] | None) -> None:
    envelope = decode_envelope(raw(entry))
    manifest = decode_manifest(envelope.manifest)
    device = Device({k: bytes(v) for k, v in envelope.payloads.items()}, {})
    machine = Machine(len(manifest.components), device)
    failure = machine.run(sections(manifest, dict(envelope.severed), UPDATE), manifest.shared)
    assert (None if failure is None else (failure.code, failure.where)) == expected
    if failure is None:
        assert {index: bytes(data) for index, data in device.contents.items()} == {0: b"hello world"}
    else:
        assert device.contents == {}


def test_example_1_runs_with_its_payload_given() -> None:
    """Appendix B.2 (download only): with the file at its URI, fetch works and only the placeholder digest stops it."""
    entry = next(e for e in ENVELOPES if e["name"] == "manifest-example-1")
    envelope = decode_envelope(raw(entry))
    manifest = decode_manifest(envelope.manifest)
    device = Device({"http://example.com/file.bin": bytes(34768)}, {})
    failure = Machine(1, device).run(sections(manifest, {}, UPDATE), manifest.shared)
    assert failure is not None
    assert (failure.code, failure.where.split("[")[0]) == ("digest.image", "install")
    assert len(device.contents[0]) == 34768


def test_example_0_starts_when_its_image_matches() -> None:
    """Appendix B.1 (secure boot): the digest replaced by that of a real image, validate and invoke run."""
    entry = ENVELOPES[0]
    manifest = decode_manifest(decode_envelope(raw(entry)).manifest)
    image = bytes(range(256)) * 135 + bytes(208)
    assert len(image) == 34768
    placeholder = bytes.fromhex("00112233445566778899aabbccddeeff0123456789abcdeffedcba9876543210")
    data = encode_manifest(manifest).replace(placeholder, hashlib.sha256(image).digest())
    manifest = decode_manifest(data)
    device = Device({}, {0: image})
    assert Machine(1, device).run(sections(manifest, {}, START), manifest.shared) is None
    assert device.invoked == 0


def test_what_is_shared_alone_is_of_the_first_component() -> None:
    """Section 8.4.10: set-component-index is required with more than one component only; the one is 0, before any section has begun too."""
    manifest = decode_manifest(decode_envelope(raw(ENVELOPES[0])).manifest)
    machine = Machine(1, Device({}, {}))
    assert all(command.code != labels.SET_COMPONENT_INDEX for command in manifest.shared)
    assert machine.run_shared(manifest.shared) is None
    assert machine.identified == {(0, 1), (0, 2)}
