"""The demo's story: firmware for two releases of an invented vent drive, and fifteen ways to spoil them."""

import hashlib
from typing import Any

from imgseal.demo.firmware import head_of, phrases
from imgseal.demo.program import program
from imgseal.device_state.device import DeviceState, SlotContent, write
from imgseal.formats.cbor.strict import bstr_head, encode
from imgseal.formats.install_record.record import Member
from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement
from imgseal.formats.sealed_image.layout import FLAG_DEVELOPMENT, STATEMENT_BYTES, field
from imgseal.formats.sealed_image.statement import SignatureSlot
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.keys.signer import Signer
from imgseal.keys.untrusted import fresh_signer, published_signer
from imgseal.records import NamedTuple
from imgseal.versions import Version

_Changed = tuple[tuple[int, ...], int]
"""The functions that a release changes, by number, and which values its table has."""

_MOTOR_FIXED, _RADIO_FIXED = (412, 1207), (350,)
_MOTOR_A, _MOTOR_SLOT = 0x0002_0400, 320 * 1024
OLD_VERSION = "2.4.0"
RADIO = {OLD_VERSION: "1.3.2", "2.4.1": "1.3.3"}
"""The radio core's version in each release."""


class Refusal(NamedTuple):
    """A spoiled artefact: what was done, file name, bytes, the finding expected first, and for which device."""

    what: str
    name: str
    data: bytes
    code: str
    device: str | None = None


def firmware_files(version: str) -> dict[str, bytes]:
    """Return the firmware files of one release: two builds of the motor core, and the radio core.

    The newer one changes three functions and a table. The older one has phrases as well, which the newer takes over;
    the newer a recovery image, and what the production line needs.
    """
    newer = version != OLD_VERSION
    motor, radio = ((_MOTOR_FIXED, 1), (_RADIO_FIXED, 0)) if newer else (((), 0), ((), 0))
    out = {
        f"motor-{slot}.hex": _hex(f"motor {version}", link, 208 * 1024, changed=motor)
        for slot, link in (("a", _MOTOR_A), ("b", 0x0007_0400))
    }
    out["radio.hex"] = _hex(
        f"radio {RADIO[version]}", 0x000C_0400, 90 * 1024, vectors=48, stack=0x2000_8000, changed=radio
    )
    if version == OLD_VERSION:
        return {**out, "phrases.bin": phrases("phrases 1.0.4", 300 * 1024)}
    return {
        **out,
        "recovery.hex": _hex("recovery 1.0.0", 0x0001_4400, 20 * 1024),
        "bootloader.hex": _hex("bootloader 1.1.0", 0, 24 * 1024),
        "settings.bin": b"settings of the invented vent drive\x00",
    }


def _hex(
    title: str, link: int, size: int, *, vectors: int = 64, stack: int = 0x2002_0000, changed: _Changed = ((), 0)
) -> bytes:
    """Return firmware as Intel HEX; the motor core's vectors and end of RAM where nothing else is said."""
    head = head_of(title, link=link, vectors=vectors, stack=stack)
    head += bytes(-len(head) % 4)
    functions, table = changed
    name, start = title.partition(" ")[0], link + len(head)
    rest = program(name, start=start, size=size - len(head), changed=functions, table=table)
    return b"".join(write_intel_hex([(link, head + rest)]))


def device_after(sealed: dict[str, bytes], hardware: int, manifest_digest: bytes, *, newer: bool = True) -> str:
    """Return the state file of a device that runs a release from motor-a; slot contents lie beside it."""
    slots = {
        slot: SlotContent(f"{slot}.sealed.bin", hashlib.sha256(data).hexdigest())
        for slot, data in sealed.items()
        if slot != "motor-b"
    }
    current = {
        number: Member(0, hashlib.sha256(sealed[slot][:STATEMENT_BYTES]).digest())
        for number, slot in ((1, "motor-a"), (2, "radio"), (3, "phrases"))
    }
    return write(
        DeviceState(
            hardware, 16 + newer, manifest_digest, {1: 5 + newer, 2: 3, 3: 1}, current, None, (), slots,
            Version(1, 1, 0), 4000, authorised=True, revoked=(), fresh=False,
        )
    )  # fmt: skip


def refusals(
    new: dict[str, bytes], old: dict[str, bytes], package: bytes, old_package: bytes, signer: Signer
) -> list[Refusal]:
    """Return the spoiled artefacts; `new` and `old` are sealed images by slot, `signer` the release key for images."""
    motor = new["motor-a"]
    too_large = motor[1024:].ljust(_MOTOR_SLOT - 1024 + 4, b"\x00")
    digest = hashlib.sha256(too_large).digest()
    larger = _reseal(motor, signer, too_large, payload_size=len(too_large), payload_digest=digest)
    elsewhere = _reseal(motor, signer, link_address=_MOTOR_A + 0x1000)
    development = _reseal(motor, signer, flags=FLAG_DEVELOPMENT)
    other_class = _reseal(motor, signer, class_id=bytes(16))
    foreign, printed = _reseal(motor, fresh_signer()), _reseal(motor, published_signer())
    header_bit = _flip_bit(motor, field("counter").offset)
    extra = _add_member(package, "#unsigned-extra", b"extra")
    manifest = _flip_bit(package, package.index(bytes.fromhex("01010211")) + 3)  # version 1, sequence number 17
    return [
        Refusal("one payload bit flipped", "payload-bit.sealed.bin", _flip_bit(motor, 5000), "digest.payload"),
        Refusal("one header bit flipped", "header-bit.sealed.bin", header_bit, "signature.does-not-verify"),
        Refusal("signed with a foreign key", "foreign-key.sealed.bin", foreign, "trust.unknown-key"),
        Refusal("signed with a printed key", "printed-key.sealed.bin", printed, "trust.example-key"),
        Refusal("a development image", "development.sealed.bin", development, "rules.development-image"),
        Refusal(
            "the image before, counter 5", "older.sealed.bin", old["motor-a"], "rollback.counter-too-low", "device.json"
        ),
        Refusal("the release before", "older.suit", old_package, "rollback.sequence-too-low", "device.json"),
        Refusal("for another class", "class.sealed.bin", other_class, "identity.wrong-class"),
        Refusal("on hardware revision 5", "hardware.sealed.bin", motor, "identity.wrong-hardware", "device-r5.json"),
        Refusal("larger than its slot", "too-large.sealed.bin", larger, "placement.larger-than-slot"),
        Refusal("linked for another place", "address.sealed.bin", elsewhere, "placement.wrong-address"),
        Refusal("cut short", "truncated.sealed.bin", motor[:100_000], "structure.truncated"),
        Refusal("something behind it", "longer.sealed.bin", motor + b"more", "structure.bytes-after-payload"),
        Refusal("a package with an extra member", "extra.suit", extra, "structure.unsigned-member"),
        Refusal("a package, manifest changed", "manifest.suit", manifest, "signature.manifest-digest"),
    ]


def _flip_bit(data: bytes, offset: int) -> bytes:
    """Return the bytes with the lowest bit of one byte changed."""
    changed = bytearray(data)
    changed[offset] ^= 1
    return bytes(changed)


def _reseal(sealed: bytes, signer: Signer, payload: bytes | None = None, **changed: Any) -> bytes:
    """Return a sealed image with fields of its statement changed, signed anew: what who has that key could make."""
    statement = decode_header_block(sealed).statement
    body = sealed[statement.header_block :] if payload is None else payload
    signature = SignatureSlot(-9, signer.public.key_id, 64)
    statement = statement._replace(signatures=(signature,), **changed)
    return encode_header_block(statement, (signer.sign(encode_statement(statement)),)) + body


def _add_member(envelope: bytes, key: str, payload: bytes) -> bytes:
    """Return an envelope with one more integrated payload, which nothing signed refers to."""
    head = envelope[2]
    return envelope[:2] + bytes([head + 1]) + envelope[3:] + encode(key) + bstr_head(len(payload)) + payload
