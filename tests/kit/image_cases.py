"""Cases of sealed images, detached headers and slot dumps: one fault each, or one boundary from its good side."""

import hashlib
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from kit_base import (
    RAM_END,
    dump,
    good,
    image,
    patched,
    plain_payload,
    product,
    resealed,
    signature_at,
    signer,
    u16,
    u32,
)
from workshop import BUILD_TIME, any_signer, make

from imgseal.demo.firmware import code
from imgseal.flow.release import FirmwareFile
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.sealed_image.codec import decode_header_block
from imgseal.formats.sealed_image.layout import field
from imgseal.formats.sealed_image.statement import Need, SignatureSlot, Statement
from imgseal.keys.p256 import ORDER
from imgseal.versions import Version


class Case(NamedTuple):
    """One case: artefact, what is expected first, and everything that the judge is told."""

    name: str
    artefact: bytes
    first: str
    product: str = "kit"
    payload: bytes | None = None
    slot: str | None = None
    device: dict[str, Any] | None = None
    development: bool = False
    device_first: str | None = None
    """What a device says where the tool knows more, such as keys that everybody has."""
    held: dict[str, bytes] = {}  # noqa: RUF012 - never changed
    """Contents of the device's slots."""
    algorithms: tuple[str, ...] = ()
    """Algorithms beyond ESP256 that a checker has to verify; one without them leaves the case out."""
    anchors: bytes | None = None
    """The trust anchor update that the device took last; absent: it holds what it left the factory with."""
    day: str | None = None
    """The day that keys have to be in force on; a device has no clock and leaves such cases out."""
    difference: str | None = None
    """Where a device accepts what the desk refuses, or the other way round: the name that the pages give it."""


DAYS = (
    ("2026-02-28", "trust.key-not-in-force"),
    ("2026-03-01", "accepted"),
    ("2027-02-28", "accepted"),
    ("2027-03-01", "trust.key-not-in-force"),
)
"""Around the first and the last day of the keys of one product."""


def device(**changes: Any) -> dict[str, Any]:
    """A device that runs the kit's set."""
    state: dict[str, Any] = {
        "format": 1, "hardware": 3, "sequence": 9, "manifest_digest": None, "counters": {"1": 5, "2": 3, "3": 1},
        "current": {"1": {"slot": 0}, "2": {"slot": 0}, "3": {"slot": 0}, "4": {"slot": 0}, "5": {"slot": 0}}, "bootloader": "1.1.0",
        "authorised": True,
    }  # fmt: skip
    return {**state, **changes}


def held(**changes: bytes) -> dict[str, bytes]:
    """What that device's slots hold; a slot name with _ for -."""
    slots = {name: image(name) for name in ("app-a", "radio", "table", "large")}
    slots.update({"plain-head": image("plain"), "plain": plain_payload()})
    return {**slots, **{name.replace("_", "-"): data for name, data in changes.items()}}


def replacing(**values: Any) -> Callable[[Statement], Statement]:
    """A change of fields."""
    return lambda statement: statement._replace(**values)


def flip(data: bytes, at: int) -> bytes:
    """One bit of a byte."""
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


def sized(slot: str, size: int, **arguments: Any) -> bytes:
    """An image of `slot` with a payload of that many bytes."""
    sealed = image(slot)
    body = sealed[512:][:size].ljust(size, b"\x5a")

    def change(s: Statement) -> Statement:
        return s._replace(payload_size=size, payload_digest=hashlib.sha256(body).digest())

    return resealed(sealed, change, payload=body, **arguments)


TCM = 0x1000_0000, 0x1000_1000


def vectors(stack: int = RAM_END, reset: int | None = None, size: int = 300, slot: str = "app-a") -> bytes:
    """An image of app-a, or of another slot, with these two vectors."""
    sealed = image(slot)
    link = decode_header_block(sealed[:512]).statement.link_address
    data = bytearray(code("app", link=link, size=size, vectors=16, stack=RAM_END))
    data[:4] = u32(stack)
    if reset is not None:
        data[4:8] = u32(reset)
    body = bytes(data)
    return resealed(
        sealed,
        lambda s: s._replace(payload_size=size, payload_digest=hashlib.sha256(body).digest()),
        payload=body,
    )


def image_cases() -> Iterator[Case]:
    """Every case, in the judge's order."""
    a = image("app-a")
    yield from _good(a)
    yield from _structure(a)
    yield from _fields(a)
    yield from _signature_slots(a)
    yield from _trust(a)
    yield from _signature(a)
    yield from _identity(a)
    yield from _rules(a)
    yield from _rollback(a)
    yield from _placement(a)
    yield from _content(a)
    yield from _dumps(a)
    yield from _detached()
    yield from _guessed(a)
    yield from _left_open(a)
    yield from _orders(a)


def _good(a: bytes) -> Iterator[Case]:
    for slot in ("app-a", "app-b", "radio", "table", "large"):
        yield Case(f"good-{slot}", image(slot), "accepted")
    yield Case("good-on-a-device", a, "accepted", device=device(), held=held())
    yield Case("good-two-algorithms", _with_other_algorithm(a), "accepted")
    yield Case("good-two-keys-one-unknown", resealed(a, by=("keys/images", "somebody")), "accepted")
    yield Case(
        "good-source-revision-32", resealed(a, lambda s: s._replace(source_revision=bytes(range(32)))), "accepted"
    )
    yield Case("good-source-revision-none", resealed(a, lambda s: s._replace(source_revision=b"")), "accepted")
    yield Case("good-build-time-zero", resealed(a, lambda s: s._replace(build_time=0)), "accepted")
    assert BUILD_TIME
    yield Case("good-version-stage", resealed(a, lambda s: s._replace(version=Version.parse("2.0.0-rc.1"))), "accepted")


def _with_other_algorithm(a: bytes, number: int = -70000, length: int = 64) -> bytes:
    """A second signature slot, of an algorithm that nobody here knows, behind the first."""
    from imgseal.formats.sealed_image.codec import encode_statement

    statement = decode_header_block(a).statement
    slots = (*statement.signatures, SignatureSlot(number, bytes(range(16)), length))
    raw = encode_statement(statement._replace(signatures=slots))
    block = raw + signer("keys/images").sign(raw) + bytes(length)
    return block.ljust(512, b"\xff") + a[512:]


def _structure(a: bytes) -> Iterator[Case]:
    yield Case("structure-empty", b"", "structure.unrecognised", device_first="structure.truncated")
    yield Case("structure-seven-bytes", a[:7], "structure.unrecognised", device_first="structure.truncated")
    yield Case("structure-statement-cut", a[:383], "structure.truncated")
    yield Case("structure-statement-only", a[:384], "structure.truncated")
    yield Case("structure-header-cut", a[:511], "structure.truncated")
    yield Case("structure-header-only", a[:512], "structure.truncated")
    yield Case("structure-payload-cut", a[:-1], "structure.truncated")
    yield Case("structure-one-byte-more", a + b"\xff", "structure.bytes-after-payload")
    yield Case("structure-magic", b"\xd4" + a[1:], "structure.unrecognised")
    yield Case("structure-magic-last", a[:7] + b"L" + a[8:], "structure.unrecognised")
    yield Case("structure-major", patched("app-a", "format_major", u16(2)), "structure.format-unsupported")
    yield Case("structure-minor", patched("app-a", "format_minor", u16(1)), "structure.format-unsupported")
    yield Case("structure-fill-first", a[:448] + b"\0" + a[449:], "structure.fill-not-erased")
    yield Case("structure-fill-last", a[:511] + b"\xfe" + a[512:], "structure.fill-not-erased")
    for size in (0, 384, 500, 511, 600, 8193, 8320, 65408):
        yield Case(
            f"structure-header-block-{size}", patched("app-a", "header_block", u16(size)), "structure.header-block"
        )
    yield Case("structure-flag-2", patched("app-a", "flags", u32(4)), "structure.unknown-flag")
    yield Case("structure-flag-31", patched("app-a", "flags", u32(1 << 31)), "structure.unknown-flag")


def _fields(a: bytes) -> Iterator[Case]:
    rows: list[tuple[str, str, bytes, int]] = [
        ("hardware-swapped", "hardware_least", u16(5), 0), ("component-zero", "component_number", b"\0", 0),
        ("kind-zero", "component_kind", b"\0", 0), ("kind-three", "component_kind", b"\3", 0),
        ("needs-five", "needs_count", b"\5", 0), ("revision-length-33", "revision_length", b"\x21", 0),
        ("revision-behind", "source_revision", b"\1", 31), ("version-stage-zero", "version", u32(0), 12),
        ("version-stage-four", "version", u32(4 << 24), 12), ("version-released-number", "version", u32(0xFF000000), 12),
        ("version-stage-number-full", "version", u32(0x01FFFFFF), 12),
        ("need-own-component", "need_components", b"\0\1", 0), ("need-not-ascending", "need_components", b"\2\0", 0),
        ("need-twice", "need_components", b"\2\2", 0), ("need-least-no-version", "need_least", u32(9 << 24), 12),
        ("need-below-no-version", "need_below", u32(9 << 24), 28), ("need-below-not-above", "need_below", u32(1) + u32(3), 16),
        ("need-unused-component", "need_components", b"\7", 3), ("need-unused-least", "need_least", b"\1", 63),
        ("need-unused-below", "need_below", b"\1", 32), ("digest-algorithm", "digest_algorithm", u32(0xFFFFFFD5), 0),
        ("payload-size-zero", "payload_size", u32(0), 0), ("payload-overflows-32-bits", "payload_size", u32(0xFFFFFFFF), 0),
        ("link-overflows-32-bits", "link_address", u32(0xFFFFFFFF), 0), ("link-one-too-high", "link_address", u32(0xFFFFFED5), 0),
        ("entry-at-end", "entry_offset", u32(300), 0), ("entry-huge", "entry_offset", u32(0xFFFFFFFF), 0),
        ("statement-length-383", "statement_length", u16(383), 0), ("statement-length-512", "statement_length", u16(512), 0),
        ("reserved-first", "reserved", b"\1", 0), ("reserved-last", "reserved", b"\1", 11),
    ]  # fmt: skip
    for name, where, value, at in rows:
        yield Case(f"field-{name}", patched("app-a", where, value, at), "structure.field-invalid")
    yield Case("field-entry-of-data", patched("table", "entry_offset", u32(4)), "structure.field-invalid")
    yield Case("field-link-highest", patched("app-a", "link_address", u32(0xFFFFFED4)), "placement.wrong-address")
    yield Case("field-payload-2-gib", patched("app-a", "payload_size", u32(0x80000000)), "structure.truncated")
    yield Case("field-four-needs", _needing(a, 4), "accepted")
    yield Case("field-no-needs", _needing(a, 0), "accepted")


def _needing(a: bytes, count: int) -> bytes:
    needs = (
        Need(0, Version(1, 1, 0), None), Need(2, Version(1, 3, 0), Version(2, 0, 0)), Need(3, Version(1, 0, 0), None),
        Need(5, Version(0, 0, 0), Version(1, 0, 1)),
    )  # fmt: skip
    return resealed(a, lambda s: s._replace(needs=needs[:count]))


def _signature_slots(a: bytes) -> Iterator[Case]:
    key = signer("keys/images").public.key_id
    for name, where, value in (
        ("reserved", "signature_0_reserved", u16(1)), ("reserved-unused", "signature_2_reserved", u16(1)),
        ("unused-key", "signature_1_key", b"\1"), ("unused-length", "signature_2_length", u16(1)),
        ("none", "signature_0_algorithm", bytes(22)), ("length-63", "signature_0_length", u16(63)),
        ("length-zero", "signature_0_length", u16(0)),
        ("behind-unused", "signature_2_algorithm", u32(0xFFFFFFF7) + key + u16(64)),
        ("same-key-twice", "signature_1_algorithm", u32(0xFFFFFFF7) + key + u16(64)),
        ("unknown-length-zero", "signature_1_algorithm", u32(99) + key + u16(0)),
    ):  # fmt: skip
        yield Case(f"slot-{name}", patched("app-a", where, value), "structure.field-invalid")
    other = u32(99) + bytes(range(16)) + u16(64)
    yield Case(
        "slot-behind-unused-of-another-key", patched("app-a", "signature_2_algorithm", other), "structure.field-invalid"
    )
    yield Case(
        "slot-unknown-too-long",
        patched("app-a", "signature_1_algorithm", u32(99) + key + u16(65)),
        "structure.header-block",
    )
    yield Case(
        "slot-unknown-65535",
        patched("app-a", "signature_1_algorithm", u32(99) + key + u16(65535)),
        "structure.header-block",
    )


def _trust(a: bytes) -> Iterator[Case]:
    yield Case(
        "trust-only-unknown-algorithm",
        patched("app-a", "signature_0_algorithm", u32(99)),
        "trust.algorithm-not-allowed",
    )
    yield Case("trust-unknown-key", resealed(a, by=("somebody",)), "trust.unknown-key")
    yield Case("trust-key-identifier-last-byte", patched("app-a", "signature_0_key", b"\0", 15), "trust.unknown-key")
    yield Case("trust-packages-key", resealed(a, by=("keys/packages",)), "trust.unknown-key")
    yield Case("trust-radio-key-on-radio", resealed(image("radio"), by=("keys/radio-only",)), "accepted")
    yield Case("trust-radio-key-on-app", resealed(a, by=("keys/radio-only",)), "trust.key-not-for-this")
    yield Case("trust-other-class", resealed(a, by=("keys/other-class",)), "trust.key-not-for-this")
    revoked = device(revoked=[signer("keys/images").public.key_id.hex()])
    yield Case("trust-revoked", a, "trust.key-revoked", device=revoked, held=held())
    yield Case(
        "trust-revoked-second",
        resealed(image("radio"), by=("keys/radio-only", "keys/images")),
        "trust.key-revoked",
        device=revoked,
    )
    yield Case(
        "trust-two-bad",
        resealed(a, by=("keys/radio-only", "keys/images")),
        "trust.key-not-for-this",
        device=revoked,
        held=held(),
    )
    yield Case(
        "trust-two-bad-turned",
        resealed(a, by=("keys/images", "keys/radio-only")),
        "trust.key-revoked",
        device=revoked,
        held=held(),
    )
    for day, first in DAYS:
        yield Case(f"trust-on-{day}", a, first, product="kit-dated", day=day)
    yield Case("trust-on-no-day", a, "accepted", product="kit-dated")
    yield Case("trust-development-key", resealed(a, by=("keys-dev/images",)), "trust.unknown-key")
    yield Case("trust-two-needed-one", a, "trust.too-few-signatures", product="kit-two-signers")
    yield Case(
        "trust-two-needed-two", resealed(a, by=("keys/images", "keys/second")), "accepted", product="kit-two-signers"
    )
    yield Case("trust-two-needed-one-bad", _second_bad(a), "signature.does-not-verify", product="kit-two-signers")
    from imgseal.keys.untrusted import published_signer

    yield Case(
        "trust-published-key",
        _sealed_by_published(a, published_signer()),
        "trust.example-key",
        device_first="trust.unknown-key",
    )


def _sealed_by_published(a: bytes, by: Any) -> bytes:
    from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement

    statement = decode_header_block(a).statement._replace(signatures=(SignatureSlot(-9, by.public.key_id, 64),))
    return encode_header_block(statement, (by.sign(encode_statement(statement)),)) + a[512:]


def _second_bad(a: bytes) -> bytes:
    both = resealed(a, by=("keys/images", "keys/second"))
    return both[:500] + bytes([both[500] ^ 1]) + both[501:]


def _signature(a: bytes) -> Iterator[Case]:
    n = ORDER.to_bytes(32)
    for name, change, code_ in (
        ("r-zero", lambda v: bytes(32) + v[32:], "signature.malformed"), ("s-zero", lambda v: v[:32] + bytes(32), "signature.malformed"),
        ("r-n", lambda v: n + v[32:], "signature.malformed"), ("s-n", lambda v: v[:32] + n, "signature.malformed"),
        ("r-all-ones", lambda v: b"\xff" * 32 + v[32:], "signature.malformed"),
        ("r-n-minus-1", lambda v: (ORDER - 1).to_bytes(32) + v[32:], "signature.does-not-verify"),
        ("s-n-minus-1", lambda v: v[:32] + (ORDER - 1).to_bytes(32), "signature.does-not-verify"),
        ("r-one", lambda v: (1).to_bytes(32) + v[32:], "signature.does-not-verify"),
        ("s-negated", lambda v: v[:32] + (ORDER - int.from_bytes(v[32:])).to_bytes(32), "accepted"),
        ("first-bit", lambda v: bytes([v[0] ^ 0x80]) + v[1:], "signature.does-not-verify"),
        ("last-bit", lambda v: v[:63] + bytes([v[63] ^ 1]), "signature.does-not-verify"),
        ("swapped", lambda v: v[32:] + v[:32], "signature.does-not-verify"),
    ):  # fmt: skip
        sealed = signature_at(a, change)
        assert sealed != a
        yield Case(f"signature-{name}", sealed, code_)
    for name in ("version", "counter", "build_time", "payload_digest", "link_address"):
        at = field(name).offset
        yield Case(
            f"signature-statement-{name}", a[:at] + bytes([a[at] ^ 1]) + a[at + 1 :], "signature.does-not-verify"
        )
    yield Case("signature-of-another-image", a[:384] + image("app-b")[384:448] + a[448:], "signature.does-not-verify")


def _identity(a: bytes) -> Iterator[Case]:
    yield Case("identity-vendor", patched("app-a", "vendor_id", b"\0"), "identity.wrong-vendor")
    yield Case("identity-vendor-last", patched("app-a", "vendor_id", b"\0", 15), "identity.wrong-vendor")
    yield Case("identity-class", patched("app-a", "class_id", b"\0", 15), "identity.wrong-class")
    for name, least, most, revision, code_ in (
        ("all-of-the-product", 2, 4, None, "accepted"), ("least-too-high", 3, 4, None, "identity.wrong-hardware"),
        ("most-too-low", 2, 3, None, "identity.wrong-hardware"), ("device-at-least", 3, 4, 3, "accepted"),
        ("device-at-most", 2, 3, 3, "accepted"), ("device-below", 4, 4, 3, "identity.wrong-hardware"),
        ("device-above", 2, 2, 3, "identity.wrong-hardware"), ("widest", 0, 65535, 3, "accepted"),
    ):  # fmt: skip
        sealed = resealed(a, replacing(hardware=(least, most)))
        on = None if revision is None else device(hardware=revision)
        yield Case(f"identity-hardware-{name}", sealed, code_, device=on, held=held() if on else {})
    yield Case(
        "identity-component-unknown",
        resealed(a, lambda s: s._replace(component=9, needs=())),
        "identity.unknown-component",
    )
    yield Case(
        "identity-component-255",
        resealed(a, lambda s: s._replace(component=255, needs=())),
        "identity.unknown-component",
    )
    yield Case("identity-code-as-data", resealed(a, lambda s: s._replace(kind=2)), "identity.wrong-kind")
    yield Case("identity-data-as-code", resealed(image("table"), lambda s: s._replace(kind=1)), "identity.wrong-kind")


def _rules(a: bytes) -> Iterator[Case]:
    flagged = resealed(a, lambda s: s._replace(flags=1), by=("keys-dev/images",))
    yield Case("rules-development-admitted", flagged, "accepted", development=True)
    yield Case("rules-development-image", resealed(a, lambda s: s._replace(flags=1)), "rules.development-image")
    yield Case(
        "rules-development-key-alone", resealed(a, by=("keys-dev/images",)), "rules.development-mixed", development=True
    )
    yield Case("rules-external-code", a, "rules.external-code", product="kit-outside")
    yield Case("rules-external-code-accepted", a, "accepted", product="kit-outside-accepted")
    yield Case("rules-external-data", image("table"), "accepted", product="kit-outside")
    for name, version, code_ in (
        ("met-exactly", "1.3.0", "accepted"), ("just-below", "1.2.4294967295", "rules.requirement-not-met"),
        ("candidate-below", "1.3.0-rc.9", "rules.requirement-not-met"), ("highest-allowed", "1.4294967295.0", "accepted"),
        ("candidate-of-excluded", "2.0.0-rc.1", "accepted"), ("excluded-exactly", "2.0.0", "rules.requirement-not-met"),
        ("above-excluded", "2.0.1", "rules.requirement-not-met"),
    ):  # fmt: skip
        radio = resealed(image("radio"), replacing(version=Version.parse(version)))
        yield Case(f"rules-need-{name}", a, code_, device=device(), held=held(radio=radio))
    without = {"1": {"slot": 0}}
    yield Case("rules-need-missing", a, "rules.requirement-not-met", device=device(current=without), held=held())
    yield Case(
        "rules-need-bootloader-old", a, "rules.requirement-not-met", device=device(bootloader="1.0.9"), held=held()
    )
    yield Case(
        "rules-need-bootloader-unknown", a, "rules.requirement-not-met", device=device(bootloader=None), held=held()
    )
    yield Case("rules-mixed-set", a, "rules.requirement-not-met", device=device(), held=held(radio=image("table")))


def _rollback(a: bytes) -> Iterator[Case]:
    low, far = "rollback.counter-too-low", "rollback.counter-out-of-reach"
    table = image("table")
    for counter, least, code_ in (
        (5, 5, "accepted"), (6, 5, "accepted"), (4, 5, low), (0, 1, low), (0, 0, "accepted"),
        (64, 5, "accepted"), (65, 5, far), (65, 65, far), (65, 66, low), (20250101, 5, far), (0xFFFFFFFF, 5, far),
    ):  # fmt: skip
        sealed = resealed(a, replacing(counter=counter))
        yield Case(
            f"rollback-{counter:x}-against-{least:x}", sealed, code_, device=device(counters={"1": least}), held=held()
        )
    for counter, least, code_ in (  # a number, raised by at most 16
        (0xFFFFFFFF, 0xFFFFFFFF, "accepted"), (0xFFFFFFFE, 0xFFFFFFFF, low), (0x7FFFFFFF, 0x80000000, low),
        (0x80000000, 0x7FFFFFFF, "accepted"), (19, 3, "accepted"), (20, 3, far), (17, 1, "accepted"), (18, 1, far), (16, 0, "accepted"), (17, 0, "accepted"),
        (0xFFFFFFFF, 0xFFFFFFEF, "accepted"), (0xFFFFFFFF, 0xFFFFFFEE, far), (20250101, 20250100, "accepted"),
    ):  # fmt: skip
        sealed = resealed(image("radio"), replacing(counter=counter))
        known = device(counters={"2": least}) if least else device(counters={})
        yield Case(f"rollback-value-{counter:x}-against-{least:x}", sealed, code_, device=known, held=held())
    for counter, code_ in ((256, "accepted"), (257, far), (300, far)):  # nothing is stated: 256 steps
        sealed = resealed(table, replacing(counter=counter))
        yield Case(f"rollback-unstated-{counter}", sealed, code_, device=device(), held=held())
        yield Case(f"rollback-unstated-{counter}-fresh", sealed, code_)
    yield from _unraised(a)
    yield Case("rollback-value-fresh", resealed(image("radio"), replacing(counter=20250101)), "accepted")


def _unraised(a: bytes) -> Iterator[Case]:
    """Counter storage that has not taken what the set in `current` has: its headers are the floor, where they are its own."""
    low, runs = "rollback.counter-too-low", resealed(a, replacing(counter=7))
    mine, other = hashlib.sha256(runs[:384]).hexdigest(), "22" * 32
    trial = {
        "sequence": 9, "manifest_digest": "11" * 32, "way_back": True, "attempts_left": 1, "power_ons_left": 5, "previous": {}, "kept": [],
    }  # fmt: skip
    set_ = device()["current"]
    for name, counter, changes, code_ in (
        ("below", 6, {}, low), ("equal", 7, {}, "accepted"), ("above", 8, {}, "accepted"), ("raised", 6, {"unraised": False}, "accepted"),
        ("storage-higher", 7, {"counters": {"1": 8}}, low), ("in-trial", 6, {"trial": trial}, "accepted"),
        ("its-statement", 6, {"current": {**set_, "1": {"slot": 0, "statement": mine}}}, low),
        ("another-statement", 6, {"current": {**set_, "1": {"slot": 0, "statement": other}}}, "accepted"),
        ("not-in-the-set", 6, {"current": {"2": {"slot": 0}}}, "accepted"), ("in-the-other-slot", 6, {"current": {"1": {"slot": 1}}}, "accepted"),
    ):  # fmt: skip
        sealed = resealed(a, replacing(counter=counter, needs=()))
        yield Case(
            f"rollback-unraised-{name}",
            sealed,
            code_,
            device=device(**{"unraised": True, **changes}),
            held=held(app_a=runs),
        )
    for name, content in (
        ("damaged", b"\xff" + runs[1:]),
        ("of-another", image("radio")),
        ("signed-by-nobody", flip(runs, 384)),
    ):
        sealed = resealed(a, replacing(counter=6, needs=()))
        found = low if name == "signed-by-nobody" else "accepted"
        yield Case(f"rollback-unraised-{name}", sealed, found, device=device(unraised=True), held=held(app_a=content))


def _placement(a: bytes) -> Iterator[Case]:
    block = resealed(a, lambda s: s._replace(header_block=640), payload=a[512:])
    yield Case("placement-header-block", block, "placement.header-block")
    yield Case(
        "placement-header-block-8192", resealed(a, lambda s: s._replace(header_block=8192)), "placement.header-block"
    )
    for name, link in (
        ("one-block-on", 0x4400),
        ("slot-start", 0x4000),
        ("other-component", 0x5200),
        ("one-byte-on", 0x4201),
        ("zero", 0),
    ):
        yield Case(
            f"placement-address-{name}",
            resealed(a, replacing(link_address=link)),
            "placement.wrong-address",
        )
    yield Case("placement-detached-flag", resealed(a, lambda s: s._replace(flags=2)), "structure.bytes-after-payload")
    yield Case(
        "placement-detached-flag-with-payload",
        resealed(a, lambda s: s._replace(flags=2))[:512],
        "placement.wrong-address",
        payload=a[512:],
    )
    yield Case("placement-slot-exactly-full", sized("app-a", 1536), "accepted")
    yield Case("placement-one-byte-more", sized("app-a", 1537), "placement.larger-than-slot")
    yield Case("placement-data-exactly-full", sized("table", 3584), "accepted")
    yield Case("placement-data-one-more", sized("table", 3585), "placement.larger-than-slot")


def _content(a: bytes) -> Iterator[Case]:
    yield Case("digest-first-byte", flip(a, 512), "digest.payload")
    yield Case("digest-last-byte", flip(a, len(a) - 1), "digest.payload")
    yield Case("digest-signed-wrong", resealed(a, lambda s: s._replace(payload_digest=bytes(32))), "digest.payload")
    yield Case("content-table-misaligned", resealed(a, lambda s: s._replace(entry_offset=4)), "content.vector-table")
    yield Case("content-table-exactly-in", sized("app-a", 68), "accepted")
    yield Case("content-table-one-short", sized("app-a", 63), "content.vector-table")
    ends = sized("app-a", 64)
    yield Case("content-reset-behind-table", ends, "content.reset-vector")
    for name, stack, code_ in (
        ("ram-end", RAM_END, "accepted"), ("above-ram", RAM_END + 8, "content.stack-pointer"), ("ram-start", 0x2000_0000, "content.stack-pointer"),
        ("just-in-ram", 0x2000_0008, "accepted"), ("unaligned-4", RAM_END - 4, "content.stack-pointer"), ("unaligned-1", RAM_END - 1, "content.stack-pointer"),
        ("zero", 0, "content.stack-pointer"), ("all-ones", 0xFFFFFFF8, "content.stack-pointer"),
    ):  # fmt: skip
        yield Case(f"content-stack-{name}", vectors(stack), code_)
    yield Case("content-stack-of-another-core", vectors(TCM[1]), "content.stack-pointer")
    yield Case("content-stack-in-any-ram", vectors(TCM[1], slot="radio"), "accepted")
    yield Case("content-stack-below-any-ram", vectors(TCM[0], slot="radio"), "content.stack-pointer")
    for name, reset, code_ in (
        ("first-byte", 0x4201, "accepted"), ("last-byte", 0x4200 + 299 | 1, "accepted"), ("even", 0x4240, "content.reset-vector"),
        ("below", 0x41FF, "content.reset-vector"), ("behind", 0x4200 + 301, "content.reset-vector"), ("zero", 0, "content.reset-vector"),
        ("all-ones", 0xFFFFFFFF, "content.reset-vector"),
    ):  # fmt: skip
        yield Case(f"content-reset-{name}", vectors(reset=reset), code_)


def _dumps(a: bytes) -> Iterator[Case]:
    whole = dump("app-a", a)
    yield Case("dump-good", whole, "accepted", slot="app-a")
    yield Case("dump-full", dump("app-a", sized("app-a", 1536)), "accepted", slot="app-a")
    yield Case("dump-data", dump("table", image("table")), "accepted", slot="table")
    yield Case("dump-short", whole[:-1], "placement.dump-size", slot="app-a")
    yield Case("dump-long", whole + b"\xff", "placement.dump-size", slot="app-a")
    yield Case("dump-other-slot", dump("app-b", a), "placement.wrong-slot", slot="app-b")
    yield Case("dump-other-component", dump("radio", a), "placement.wrong-slot", slot="radio")
    yield Case(
        "dump-rest-first", whole[: len(a)] + b"\xfe" + whole[len(a) + 1 :], "content.rest-not-erased", slot="app-a"
    )
    yield Case("dump-rest-last", whole[:-1] + b"\x7f", "content.rest-not-erased", slot="app-a")
    yield Case("dump-erased", b"\xff" * 2048, "structure.unrecognised", slot="app-a")
    yield Case("dump-staging", dump("radio-staging", image("radio")), "rules.no-package", slot="radio-staging")
    yield Case("dump-keep", dump("radio-keep", image("radio")), "rules.no-package", slot="radio-keep")
    yield Case("dump-keep-of-another", dump("radio-keep", image("table")), "rules.no-package", slot="radio-keep")


def _detached() -> Iterator[Case]:
    head, body = image("plain"), plain_payload()
    yield Case("detached-good", head, "accepted", payload=body)
    yield Case("detached-payload-missing", head, "structure.payload-missing")
    yield Case("detached-payload-short", head, "structure.truncated", payload=body[:-1])
    yield Case("detached-payload-long", head, "structure.bytes-after-payload", payload=body + b"\0")
    yield Case("detached-header-long", head + b"\xff", "structure.bytes-after-payload", payload=body)
    yield Case("detached-payload-bit", head, "digest.payload", payload=bytes([body[0] ^ 1]) + body[1:])
    attached = resealed(head, lambda s: s._replace(flags=0, link_address=0x6200), payload=body)
    yield Case("detached-attached-instead", attached, "placement.wrong-address")
    full = code("plain", link=0x6000, size=2048, vectors=16, stack=RAM_END)
    shop = make(product(), files=[FirmwareFile("plain", "plain", MemoryImage.from_bytes(0x6000, full))])
    yield Case("detached-exactly-full", shop.images["plain"], "accepted", payload=full)
    more = resealed(
        head, lambda s: s._replace(payload_size=2049, payload_digest=hashlib.sha256(full + b"\0").digest()), payload=b""
    )
    yield Case("detached-one-byte-more", more, "placement.larger-than-slot", payload=full + b"\0")
    assert good()


def _guessed(a: bytes) -> Iterator[Case]:
    """Where the pages could once be read in two ways: the case says which one is meant."""
    yield Case("structure-cut-without-magic", bytes(100), "structure.unrecognised", device_first="structure.truncated")
    yield Case(
        "field-version-stage-number-zero", resealed(a, replacing(version=Version.parse("2.0.0-rc.0"))), "accepted"
    )
    yield Case("slot-es256-length-32", _with_other_algorithm(a, -7, 32), "accepted")
    yield Case("trust-two-unknown", resealed(a, by=("somebody", "somebody else")), "trust.unknown-key")
    radio_only = device(revoked=[signer("keys/radio-only").public.key_id.hex()])
    yield Case(
        "trust-revoked-not-for-this",
        resealed(a, by=("keys/radio-only",)),
        "trust.key-revoked",
        device=radio_only,
        held=held(),
    )
    flagged, two = replacing(flags=1), "kit-two-signers"
    yield Case(
        "trust-development-alone-of-two",
        resealed(a, flagged, by=("keys-dev/images",)),
        "accepted",
        product=two,
        development=True,
    )
    both = resealed(a, by=("keys/images", "keys/second"))
    yield Case("signature-two-bad", flip(flip(both, 390), 460), "signature.does-not-verify", product=two)
    yield Case("rules-development-flag-released-key", resealed(a, flagged), "accepted", development=True)
    yield Case(
        "rules-development-key-beside", resealed(a, by=("keys/images", "keys-dev/images")), "rules.development-mixed",
        development=True,
    )  # fmt: skip
    yield Case(
        "rules-external-code-nowhere",
        resealed(a, replacing(link_address=0)),
        "placement.wrong-address",
        product="kit-outside",
    )
    radio = image("radio")
    yield Case("rules-need-held-unsigned", a, "accepted", device=device(), held=held(radio=flip(radio, 384)))
    wanting = resealed(radio, replacing(needs=(Need(1, Version(9, 0, 0), None),)))
    yield Case("rules-need-of-held", a, "accepted", device=device(), held=held(radio=wanting))
    silent = {key: value for key, value in device().items() if key != "bootloader"}
    yield Case("rules-need-bootloader-absent", a, "rules.requirement-not-met", device=silent, held=held())
    bare = device(current={"1": {"slot": 0}}, bootloader="1.0.9")
    yield Case("rules-need-two-unmet", a, "rules.requirement-not-met", device=bare, held=held())
    yield Case("content-reset-last-single-byte", vectors(reset=0x4200 + 301, size=301), "accepted")
    head, body = image("plain"), plain_payload()
    attached = resealed(head, replacing(flags=0), payload=body)
    yield Case("detached-attached-at-slot-start", attached, "placement.wrong-address")
    whole = dump("plain", body)
    yield Case("detached-dump", dump("plain-head", head), "accepted", slot="plain", payload=whole)
    yield Case("detached-dump-rest", head, "content.rest-not-erased", slot="plain", payload=flip(whole, 2047))
    head_slot = dump("plain-head", head)
    for name, at in (("first", len(head)), ("last", len(head_slot) - 1)):
        behind = flip(head_slot, at)
        yield Case(
            f"detached-dump-behind-header-{name}", behind, "content.rest-not-erased", slot="plain", payload=whole
        )
    both = flip(whole, 2047)
    yield Case("detached-dump-behind-both", flip(head_slot, len(head)), "content.rest-not-erased", slot="plain", payload=both)  # fmt: skip
    yield Case("detached-dump-of-header", dump("plain-head", head), "structure.payload-missing", slot="plain-head")
    waiting = dump("plain-staging", head + body)
    yield Case("detached-dump-staging", waiting, "structure.payload-missing", slot="plain-staging")


def _left_open(a: bytes) -> Iterator[Case]:
    """What the pages left open when a second implementer read them again."""
    yield from _who_signed(a)
    radio = image("radio")
    for name, content in (("fill", radio[:511] + b"\0" + radio[512:]), ("cut", radio[:511])):
        on, slots = device(), held(radio=content)
        yield Case(f"rules-need-held-{name}", a, "rules.requirement-not-met", device=on, held=slots)
    ends = resealed(sized("app-a", 66), replacing(entry_offset=4))
    yield Case("content-table-misaligned-and-short", ends, "content.vector-table")
    other = resealed(a, replacing(flags=2, link_address=0x4000))[:512]
    yield Case("rules-external-code-other-form", other, "rules.external-code", product="kit-outside", payload=a[512:])
    yield Case("dump-other-form", other, "placement.wrong-address", slot="app-b", payload=a[512:].ljust(2048, b"\xff"))
    head, body = image("plain"), plain_payload()
    both = "structure.bytes-after-payload"
    yield Case("detached-both-long", head + b"\xff", both, payload=body + b"\0")
    short = dump("plain-head", head)[:-1]
    yield Case("detached-dump-header-short", short, "accepted", slot="plain", payload=dump("plain", body))
    missing = "structure.payload-missing"
    yield Case("detached-dump-of-header-short", short, missing, slot="plain-head")
    yield Case("detached-dump-staging-short", dump("plain-staging", head + body)[:-1], missing, slot="plain-staging")
    waiting = dump("plain-staging", head)
    yield Case("detached-dump-staging-payload", waiting, "rules.no-package", slot="plain-staging", payload=body)


def _who_signed(a: bytes) -> Iterator[Case]:
    flagged, two = replacing(flags=1), "kit-two-signers"
    revoked = device(revoked=[signer("keys/images").public.key_id.hex()])
    both = resealed(a, by=("keys/images", "keys/second"))
    yield Case("trust-two-needed-one-revoked", both, "trust.key-revoked", product=two, device=revoked, held=held())
    for name, by, first in (
        ("released-first", ("keys/images", "keys-dev/images"), "accepted"),
        ("development-first", ("keys-dev/images", "keys/images"), "accepted"),
        ("released-alone", ("keys/images",), "trust.too-few-signatures"),
    ):
        sealed = resealed(a, flagged, by=by)
        yield Case(f"trust-flag-of-two-{name}", sealed, first, product=two, development=True)
    late = {"product": "kit-dated", "day": DAYS[-1][0]}
    on = {"device": revoked, "held": held()}
    yield Case("trust-late-and-revoked", a, "trust.key-revoked", **late, **on)  # type: ignore[arg-type]
    other = resealed(a, by=("keys/radio-only",))
    yield Case("trust-late-and-not-for-this", other, "trust.key-not-in-force", **late)  # type: ignore[arg-type]
    printed = resealed(a, flagged, by=("keys-dev/printed",))
    gone = device(revoked=[any_signer("keys-dev/printed").public.key_id.hex()])
    example, admitted = "kit-example", "kit-example-admitted"
    yield Case("trust-published-admitted", printed, "accepted", product=admitted, development=True)
    yield Case(
        "trust-published-not-asked-for", printed, "trust.example-key", product=admitted,
        device_first="trust.unknown-key",
    )  # fmt: skip
    yield Case(
        "trust-published-and-revoked", printed, "trust.example-key", product=example, device=gone, held=held(),
        development=True, device_first="trust.key-revoked",
    )  # fmt: skip
    yield Case(
        "trust-published-admitted-revoked", printed, "trust.key-revoked", product=admitted, device=gone, held=held(),
        development=True,
    )  # fmt: skip


def _orders(a: bytes) -> Iterator[Case]:
    """Two faults, where the question is which comes first, or whether the second is still looked for."""
    for name, fields, first in (
        ("flag-before-reserved", {"flags": u32(4), "reserved": b"\1"}, "structure.unknown-flag"),
        ("flag-before-header-block", {"flags": u32(4), "header_block": u16(500)}, "structure.unknown-flag"),
        ("header-block-before-version", {"header_block": u16(500), "version": bytes(16)}, "structure.header-block"),
    ):
        yield Case(f"order-{name}", _patched_all(a, fields), first)
    yield Case("order-cut-before-format", patched("app-a", "format_major", u16(2))[:383], "structure.truncated")
    yield Case("order-behind-hides-digest", flip(a, 512) + b"\xff", "structure.bytes-after-payload")
    spoiled = flip(resealed(a, by=("keys/images", "keys/radio-only")), 390)
    yield Case("order-key-hides-signature", spoiled, "trust.key-not-for-this")
    yield Case("order-kind-hides-address", resealed(a, replacing(kind=2, link_address=0)), "identity.wrong-kind")
    yield Case("order-size-hides-digest", flip(sized("app-a", 1537), 512), "placement.larger-than-slot")
    short = dump("app-a", patched("app-a", "vendor_id", b"\0"))[:-1]
    yield Case("order-vendor-before-dump-size", short, "identity.wrong-vendor", slot="app-a")
    dirty = flip(dump("app-a", flip(a, 512)), 2047)
    yield Case("order-digest-hides-rest", dirty, "digest.payload", slot="app-a")
    dirty = flip(dump("app-a", vectors(0)), 2047)
    yield Case("order-stack-beside-rest", dirty, "content.stack-pointer", slot="app-a")


def _patched_all(sealed: bytes, fields: dict[str, bytes]) -> bytes:
    """An image of which several fields are overwritten before it is signed."""

    def patch(raw: bytearray) -> None:
        for name, value in fields.items():
            start = field(name).offset
            raw[start : start + len(value)] = value

    return resealed(sealed, patch=patch)
