"""Every finding code of sealed images: one fault each, and the good image beside it.

The rules are those of docs/format/sealed-image.md and docs/checks.md. The clause beside a test is where the rule comes from.
"""

import hashlib
import struct

import pytest
from workshop import (
    Workshop,
    at,
    codes,
    detached_radio,
    first,
    make,
    product,
    public_key,
    resealed,
    signer,
    trust_of,
    verdict,
    workshop,
)

from imgseal.device_state.device import fresh
from imgseal.findings import NOT_RUN
from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement
from imgseal.formats.sealed_image.statement import Need, SignatureSlot
from imgseal.keys.p256 import ORDER
from imgseal.keys.trusted_keys import Trust
from imgseal.versions import Version
from imgseal.window import ByteView


def motor() -> bytes:
    return workshop().images["motor-a"]


@pytest.mark.parametrize("slot", ["motor-a", "motor-b", "radio", "phrases"])
def test_good_images_are_accepted(slot: str) -> None:
    assert first(workshop().images[slot]) == "accepted"


def test_resealing_unchanged_is_accepted() -> None:
    """The tool of this file makes good images when it changes nothing."""
    assert resealed(motor()) == motor()


def test_every_bit_of_the_header_matters() -> None:
    """RFC 9124 section 4.2.7 THREAT.NET.ONPATH: no bit of the header block can be changed unseen."""
    for offset in range(1024):
        raw = bytearray(motor())
        raw[offset] ^= 1 << offset % 8
        assert first(bytes(raw)) != "accepted", offset


@pytest.mark.parametrize("offset", [1024, 3000, 1024 + 5999])
def test_changed_payload(offset: int) -> None:
    """RFC 9124 section 4.2.8 THREAT.IMG.REPLACE."""
    raw = bytearray(motor())
    raw[offset] ^= 0x80
    assert codes(bytes(raw)) == ["digest.payload"]


@pytest.mark.parametrize("length", [8, 383, 384, 1023, 1024, 1024 + 5999])
def test_cut_short(length: int) -> None:
    assert first(motor()[:length]) == "structure.truncated"


def test_unrecognised() -> None:
    assert first(b"") == "structure.unrecognised"
    assert first(b"hello, this is no image") == "structure.unrecognised"


def test_bytes_behind_the_payload() -> None:
    """RFC 9124 section 4.2.15 THREAT.IMG.EXTRA."""
    assert first(motor() + b"\xff") == "structure.bytes-after-payload"


def test_unknown_key_and_wrong_role() -> None:
    """RFC 9124 section 4.2.9 THREAT.IMG.NON_AUTH."""
    assert first(resealed(motor(), by=("somebody",))) == "trust.unknown-key"
    found = verdict(resealed(motor(), by=("keys/packages",))).findings[0]
    assert found.code == "trust.unknown-key"
    assert "packages only" in (found.hint or "")


def test_named_key_but_another_signed() -> None:
    statement = decode_header_block(motor()).statement
    forged = signer("somebody").sign(encode_statement(statement))
    raw = encode_header_block(statement, (forged,)) + motor()[1024:]
    assert first(raw) == "signature.does-not-verify"


@pytest.mark.parametrize("value", [0, ORDER, 2**256 - 1])
@pytest.mark.parametrize("half", [0, 1])
def test_malformed_signature(value: int, half: int) -> None:
    """FIPS 186-5 section 6.4.2: r and s in 1..n-1."""
    raw = bytearray(motor())
    raw[384 + 32 * half : 416 + 32 * half] = value.to_bytes(32)
    assert first(bytes(raw)) == "signature.malformed"


def test_other_half_of_s_is_accepted() -> None:
    """The one named exception: n-s in place of s verifies as well (COSE has no low-s rule, RFC 9053 section 2.1)."""
    raw = bytearray(motor())
    raw[416:448] = (ORDER - int.from_bytes(raw[416:448])).to_bytes(32)
    assert first(bytes(raw)) == "accepted"


def test_algorithms() -> None:
    def unknown_only(raw: bytearray) -> None:
        raw[300:304] = struct.pack("<i", -49)

    assert first(resealed(motor(), patch=unknown_only)) == "trust.algorithm-not-allowed"


def test_a_newer_signature_beside_ours_is_skipped() -> None:
    """Old devices take images that also carry a signature of an algorithm they do not know."""
    statement = decode_header_block(motor()).statement
    ours = SignatureSlot(-9, public_key("keys/images").key_id, 64)
    statement = statement._replace(signatures=(SignatureSlot(-49, bytes(range(16)), 500), ours))
    message = encode_statement(statement)
    raw = encode_header_block(statement, (b"\x55" * 500, signer("keys/images").sign(message))) + motor()[1024:]
    assert first(raw) == "accepted"


def test_every_trusted_signature_has_to_hold() -> None:
    """One good signature does not outvote a bad one by another trusted key."""
    shop = workshop()
    extra = shop.trust.keys[0]._replace(public=public_key("second"), key_id=public_key("second").key_id)
    two = shop._replace(trust=Trust((*shop.trust.keys, extra), 2, 1))
    good = resealed(motor(), by=("keys/images", "second"))
    assert first(good, two) == "accepted"
    bad = bytearray(good)
    bad[384 + 64 + 5] ^= 1
    assert first(bytes(bad), two) == "signature.does-not-verify"
    assert first(motor(), two) == "trust.too-few-signatures"
    # a second signature by a key that nobody trusts neither helps nor hurts
    assert first(resealed(motor(), by=("keys/images", "nobody"))) == "accepted"
    assert first(resealed(motor(), by=("keys/images", "nobody")), two) == "trust.too-few-signatures"


def test_limits_of_a_key() -> None:
    """RFC 9124 section 4.3.13 REQ.SEC.ACCESS_CONTROL."""
    shop = make(product(lambda text: text))
    limited = [k._replace(components=("radio",)) if k.source == "keys/images.pub.pem" else k for k in shop.trust.keys]
    narrow = shop._replace(trust=shop.trust._replace(keys=tuple(limited)))
    assert first(shop.images["motor-a"], narrow) == "trust.key-not-for-this"
    assert first(shop.images["radio"], narrow) == "accepted"
    classed = [k._replace(classes=("vent-drive-9",)) for k in shop.trust.keys]
    assert first(motor(), shop._replace(trust=shop.trust._replace(keys=tuple(classed)))) == "trust.key-not-for-this"


def test_revoked_key() -> None:
    """RFC 9124 section 4.3.18 REQ.SEC.KEY.ROTATION."""
    key_id = public_key("keys/images").key_id.hex()
    state = fresh(workshop().product)._replace(revoked=(key_id,))
    assert first(motor(), state=state) == "trust.key-revoked"
    assert first(motor(), state=state._replace(revoked=("00" * 16,))) == "accepted"


def test_published_keys_are_refused() -> None:
    """RFC 9124 section 4.2.16: a key that everyone has, whether it is trusted by mistake or not."""
    from imgseal.keys.untrusted import published_signer

    key = published_signer()
    statement = decode_header_block(motor()).statement
    statement = statement._replace(signatures=(SignatureSlot(-9, key.public.key_id, 64),))
    raw = encode_header_block(statement, (key.sign(encode_statement(statement)),)) + motor()[1024:]
    assert first(raw) == "trust.example-key"
    trusted = workshop().trust.keys[0]._replace(public=key.public, key_id=key.public.key_id, published="RFC 6979")
    shop = workshop()._replace(trust=Trust((trusted,), 1, 1))
    assert first(raw, shop) == "trust.example-key"
    assert first(raw, shop, development=True) == "trust.example-key"


def test_development_images() -> None:
    """Common practice, no source: what was made at a desk is not released."""
    shop = make(product(), development=True)
    image = shop.images["motor-a"]
    assert first(image, shop, development=True) == "accepted"
    assert first(image, shop) == "trust.unknown-key"
    flagged = resealed(motor(), lambda s: s._replace(flags=1))
    assert first(flagged) == "rules.development-image"
    unflagged = resealed(motor(), by=("keys-dev/images",))
    assert first(unflagged, development=True) == "rules.development-mixed"
    assert first(motor(), development=True) == "accepted"


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"vendor_id": bytes(16)}, "identity.wrong-vendor"),
        ({"class_id": bytes(16)}, "identity.wrong-class"),
        ({"hardware": (2, 3)}, "identity.wrong-hardware"),
        ({"hardware": (3, 4)}, "identity.wrong-hardware"),
        ({"component": 9}, "identity.unknown-component"),
        ({"kind": 2, "entry_offset": 0}, "identity.wrong-kind"),
        ({"component": 3}, "identity.wrong-kind"),
        ({"link_address": 0x20000}, "placement.wrong-address"),
        ({"link_address": 0xC0400}, "placement.wrong-address"),
        ({"component": 2}, "placement.wrong-address"),
        ({"flags": 2}, "structure.bytes-after-payload"),
        ({"payload_digest": bytes(32)}, "digest.payload"),
        ({"entry_offset": 4}, "content.vector-table"),
        ({"entry_offset": 5888}, "content.vector-table"),
    ],
)
def test_signed_but_not_for_this_product(change: dict[str, object], code: str) -> None:
    """RFC 9124 sections 4.2.3 IMG.INCOMPATIBLE, 4.2.4 IMG.FORMAT, 4.2.5 IMG.LOCATION."""
    if "component" in change:
        change = {**change, "needs": ()}
    assert first(resealed(motor(), lambda s: s._replace(**change))) == code  # type: ignore[arg-type]


def test_a_device_that_runs_a_component_which_the_product_has_not() -> None:
    """Also where its counters are behind what runs: there is no slot in which to look for that."""
    foreign = resealed(motor(), lambda s: s._replace(component=9, needs=()))
    state = fresh(workshop().product)._replace(current=at({9: 0}), unraised=True, fresh=False)
    assert first(foreign, state=state) == "identity.unknown-component"


def test_hardware_of_a_given_device() -> None:
    state = fresh(workshop().product)
    for revision, expected in (
        (1, "identity.wrong-hardware"),
        (2, "accepted"),
        (4, "accepted"),
        (5, "identity.wrong-hardware"),
    ):
        assert first(motor(), state=state._replace(hardware=revision)) == expected


@pytest.mark.parametrize(
    ("radio", "expected"),
    [
        ("1.2.9", "rules.requirement-not-met"),
        ("1.3.0-rc.9", "rules.requirement-not-met"),
        ("1.3.0", "accepted"),
        ("1.99.0", "accepted"),
        ("2.0.0-alpha.1", "accepted"),
        ("2.0.0", "rules.requirement-not-met"),
    ],
)
def test_requirements_against_a_device(radio: str, expected: str) -> None:
    """The motor core needs radio >=1.3.0, <2.0.0: the lower bound is met exactly, the upper one is excluded."""
    shop = workshop()
    version = Version.parse(radio)
    other = resealed(shop.images["radio"], lambda s: s._replace(version=version))
    state = fresh(shop.product)._replace(fresh=False, hardware=3, current=at({2: 0}))
    assert first(motor(), state=state, contents={"radio": ByteView(other)}) == expected


def test_requirement_on_the_bootloader() -> None:
    state = fresh(workshop().product)
    assert first(motor(), state=state._replace(bootloader=Version(1, 0, 9))) == "rules.requirement-not-met"
    assert first(motor(), state=state._replace(bootloader=Version(1, 1, 0))) == "accepted"
    known = state._replace(bootloader=None, fresh=False, hardware=2)
    assert first(motor(), state=known) == "rules.requirement-not-met"


def test_requirement_that_cannot_be_answered_is_not_passed() -> None:
    found = verdict(motor())
    check = next(c for c in found.checks if c.name == "requirements")
    assert check.outcome == NOT_RUN
    assert not check.mandatory


@pytest.mark.parametrize(("counter", "expected"), [(5, "rollback.counter-too-low"), (6, "accepted"), (7, "accepted")])
def test_anti_rollback(counter: int, expected: str) -> None:
    """RFC 9124 section 4.2.1 THREAT.IMG.EXPIRED: equal is allowed, lower never."""
    state = fresh(workshop().product)._replace(counters={1: 6})
    image = resealed(motor(), lambda s: s._replace(counter=counter))
    assert first(image, state=state) == expected


@pytest.mark.parametrize(
    ("size", "expected"), [(319 * 1024, "accepted"), (319 * 1024 + 1, "placement.larger-than-slot")]
)
def test_slot_exactly_full_and_one_byte_more(size: int, expected: str) -> None:
    payload = motor()[1024:] + bytes(size - 6000)
    digest = hashlib.sha256(payload).digest()
    image = resealed(motor(), lambda s: s._replace(payload_size=size, payload_digest=digest), payload=payload)
    assert first(image) == expected


def test_size_that_would_overflow_32_bits() -> None:
    """The announced size is compared without reading: no byte of it has to be there."""
    image = resealed(motor(), lambda s: s._replace(payload_size=0xFFFF_FFFF - 0x20400))
    found = codes(image)
    assert found[0] == "structure.truncated"
    assert "placement.larger-than-slot" in found


@pytest.mark.parametrize("block", [512, 896, 2048])
def test_header_block_of_another_size(block: int) -> None:
    image = resealed(motor(), lambda s: s._replace(header_block=block))
    assert first(image) == "placement.header-block"


@pytest.mark.parametrize(
    ("offset", "word", "code"),
    [
        (0, 0x2000_0000, "content.stack-pointer"),
        (0, 0x2002_0008, "content.stack-pointer"),
        (0, 0x2002_0004 - 8, "content.stack-pointer"),
        (0, 0x2002_0000, "accepted"),
        (0, 0x2000_0008, "accepted"),
        (4, 0x0002_0501 - 1, "content.reset-vector"),
        (4, 0x0002_03FF, "content.reset-vector"),
        (4, 0x0002_0401 + 6000, "content.reset-vector"),
        (4, 0x0002_0401 + 5998, "accepted"),
    ],
)
def test_vector_table(offset: int, word: int, code: str) -> None:
    """Armv7-M Architecture Reference Manual B1.5: initial stack pointer and reset vector."""
    payload = bytearray(motor()[1024:])
    payload[offset : offset + 4] = word.to_bytes(4, "little")
    digest = hashlib.sha256(payload).digest()
    assert first(resealed(motor(), lambda s: s._replace(payload_digest=digest), payload=bytes(payload))) == code


def dump(image: bytes, size: int = 320 * 1024) -> bytes:
    return image + b"\xff" * (size - len(image))


def test_slot_dumps() -> None:
    """RFC 9124 section 4.3.15 REQ.SEC.IMG.COMPLETE_DIGEST: image and erased rest, nothing else."""
    assert first(dump(motor()), slot="motor-a") == "accepted"
    assert first(dump(motor())) == "structure.bytes-after-payload"
    assert first(dump(motor()), slot="motor-b") == "placement.wrong-slot"
    assert first(dump(motor())[:-1], slot="motor-a") == "placement.dump-size"
    for position in (len(motor()), 320 * 1024 - 1):
        raw = bytearray(dump(motor()))
        raw[position] = 0xFE
        found = verdict(bytes(raw), slot="motor-a").findings
        assert [f.code for f in found] == ["content.rest-not-erased"]
        assert found[0].place.offset == position


@pytest.mark.parametrize("slot", ["radio-staging", "radio-keep"])
def test_bare_image_in_a_waiting_slot(slot: str) -> None:
    """A sealed image in a staging or keep slot without its package is refused (design rule)."""
    assert first(dump(workshop().images["radio"], 128 * 1024), slot=slot) == "rules.no-package"


def test_code_in_untrusted_memory() -> None:
    """RFC 9124 section 4.2.18 THREAT.MFST.TOCTOU: external flash can change between check and use."""
    accepting = make(product(lambda text: text.replace("trusted = false", "trusted = true")))
    memories = {n: m._replace(trusted=n != "internal") for n, m in accepting.product.memories.items()}
    shop = accepting._replace(product=accepting.product._replace(memories=memories))
    assert first(accepting.images["motor-a"], shop) == "rules.external-code"
    assert first(accepting.images["phrases"], shop) == "accepted"


def detached_shop() -> Workshop:
    """The radio core as an image that cannot move: its header lies in a slot of its own."""

    from imgseal.demo.firmware import code
    from imgseal.flow.release import FirmwareFile
    from imgseal.formats.memory.image import MemoryImage

    data = code("radio", link=0xC0000, size=3001, vectors=48, stack=0x2002_0000)
    file = FirmwareFile("radio", "radio.hex", MemoryImage.from_bytes(0xC0000, data))
    return make(product(detached_radio), files=[file])


def test_detached_header() -> None:
    from imgseal.demo.firmware import code

    shop = detached_shop()
    header = shop.images["radio"]
    payload = code("radio", link=0xC0000, size=3001, vectors=48, stack=0x2002_0000)
    assert len(header) == 1024
    assert first(header, shop, payload=payload) == "accepted"
    assert first(header, shop) == "structure.payload-missing"
    assert first(header, shop, payload=payload[:-1]) == "structure.truncated"
    assert first(header, shop, payload=payload + b"\0") == "structure.bytes-after-payload"
    assert first(header + b"\0", shop, payload=payload) == "structure.bytes-after-payload"
    assert first(header, shop, payload=payload[:-1] + b"\0") == "digest.payload"
    assert first(shop.package, shop) == "accepted"
    attached = resealed(header, lambda s: s._replace(flags=0, link_address=0xC0400), payload=payload)
    assert first(attached, shop) == "placement.wrong-address"


class Watched:
    """An artefact that remembers the highest byte that was read."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.size = len(data)
        self.highest = 0

    def read(self, offset: int, length: int) -> bytes:
        piece = self._data[offset : offset + length]
        self.highest = max(self.highest, offset + len(piece))
        return piece


def test_header_is_judged_before_the_payload_is_read() -> None:
    """Every check that needs only the header comes before the first payload byte is read."""
    from imgseal.check.context import Context
    from imgseal.check.judge import judge

    shop = workshop()
    payload = bytes(20_000)
    digest = hashlib.sha256(payload).digest()

    def image(**change: object) -> Watched:
        values = {"payload_size": len(payload), "payload_digest": digest, **change}
        return Watched(resealed(motor(), lambda s: s._replace(**values), payload=payload))  # type: ignore[arg-type]

    for change in ({"class_id": bytes(16)}, {"counter": 5}, {"link_address": 0x20800}):
        watched = image(**change)
        state = fresh(shop.product)._replace(counters={1: 6})
        assert not judge(watched, "x", Context(shop.product, shop.trust, state)).accepted
        # the first read takes what the largest header block could be, and nothing goes beyond it
        if "counter" not in change and "class_id" not in change:
            assert watched.highest <= 8192, change
    forged = bytearray(image()._data)
    forged[400] ^= 1
    watched = Watched(bytes(forged))
    assert not judge(watched, "x", Context(shop.product, shop.trust, fresh(shop.product))).accepted
    assert watched.highest <= 8192


def test_larger_than_the_judge_reads() -> None:
    """limits.ARTEFACT_BYTES: refused by its size, before a byte is looked at."""
    from imgseal.check.context import Context
    from imgseal.check.judge import judge
    from imgseal.limits import ARTEFACT_BYTES

    class Huge:
        size = ARTEFACT_BYTES + 1

        def read(self, offset: int, length: int) -> bytes:
            return motor()[offset : offset + min(length, 8192)]

    shop = workshop()
    found = judge(Huge(), "x", Context(shop.product, shop.trust, fresh(shop.product)))
    assert [f.code for f in found.findings] == ["structure.too-large"]
    assert found.findings[0].message == "this file is too large to be judged"
    (other,) = verdict(b"hello, this is a text of mine").findings
    assert (other.message, other.found) == ("neither sealed nor packed", b"hello, this is a".hex())
    assert verdict(b"").findings[0].found == "an empty file"


def test_needs_are_signed_with_the_image() -> None:
    own = resealed(motor(), lambda s: s._replace(needs=(Need(0, Version(1, 1, 0), None),)))
    assert first(own) == "accepted"
    assert trust_of(workshop().product) == workshop().trust


def test_a_verdict_says_what_was_judged() -> None:
    """docs/format/verdict.schema.json: `kind`; what a header says is shown where its signature holds, and nothing else."""
    shop = detached_shop()
    assert verdict(motor()).kind == "sealed image"
    assert verdict(dump(motor()), slot="motor-a").kind == "slot dump"
    assert verdict(shop.images["radio"], shop, payload=b"x").kind == "detached header"
    assert verdict(workshop().package).kind == "update package"
    assert verdict(motor()).details == (
        ("image", "motor 2.4.1"),
        ("slot", "motor-a, 6000 of 326656 bytes"),
        ("counter", "6"),
        ("signed by", "keys/images.pub.pem"),
    )
    spoiled = bytearray(motor())
    spoiled[390] ^= 1
    assert verdict(bytes(spoiled)).details == ()
