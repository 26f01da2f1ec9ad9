"""Cases of authentication blocks: their one encoding, whose they are, how many and how large.

Desk and device differ in one thing, by name: blocks that count for nothing are refused at the desk unless the product
file knows of them, and passed over by a device, which takes so many and so large ones in all.
"""

from collections.abc import Iterator

from image_cases import Case
from kit_base import good
from workshop import cose_block, signer

from imgseal.formats.cbor.strict import Tag, encode
from imgseal.formats.cose.sign1 import assemble, take_apart, to_be_signed
from imgseal.formats.suit.envelope import decode_envelope, envelope_pieces
from imgseal.limits import BLOCK_BYTES, BLOCKS

IDLE = "idle-blocks"
"""The name of the difference; docs/format/package.md and docs/threats.md."""
IDLE_CODE, ENVELOPE = "trust.idle-block", "structure.envelope"
UNCOUNTED = "kit-uncounted"
"""A product file that knows of keys/second-packages, keys/packages-pq and of ES384."""


def with_blocks(package: bytes, *blocks: bytes) -> bytes:
    """The package with other authentication blocks; nothing else changes."""
    envelope = decode_envelope(package)
    payloads = {key: (len(value), iter([bytes(value)])) for key, value in envelope.payloads.items()}
    return b"".join(envelope_pieces(envelope.digest_bytes, blocks, envelope.manifest, dict(envelope.severed), payloads))


def sign1(protected: bytes, unprotected: object, signature: bytes, payload: object = None, tag: int = 18) -> bytes:
    return encode(Tag(tag, [protected, unprotected, payload, signature]))


def idle(name: str, artefact: bytes, product: str = "kit") -> Case:
    return Case(name, artefact, IDLE_CODE, product=product, device_first="accepted", difference=IDLE)


def block_cases() -> Iterator[Case]:
    raw = good().package
    digest = decode_envelope(raw).digest_bytes
    own = cose_block("keys/packages", digest, -9)
    yield from _encodings(raw, own)
    yield from _headers(raw, digest)
    yield from _others(raw, digest, own)
    yield from _named(raw, digest, own)


def _encodings(raw: bytes, own: bytes) -> Iterator[Case]:
    """One thing wrong with the block of a trusted key, alone, and with another one that is as it was."""
    protected, value = b"\xa1\x01\x28", take_apart(own).signature
    for name, block in (
        ("unprotected-kid", sign1(protected, {4: b"who"}, value)),
        ("unprotected-text", sign1(protected, {"note": "x" * 200}, value)),
        ("unprotected-private", sign1(protected, {-70000: bytes(1000)}, value)),
        ("unprotected-certificates", sign1(protected, {33: [bytes(300)]}, value)),
        ("protected-kid", sign1(encode({1: -9, 4: b"who"}), {}, value)),
        ("protected-content-type", sign1(encode({1: -9, 3: 0}), {}, value)),
        ("protected-text-key", sign1(encode({1: -9, "x": 0}), {}, value)),
        ("protected-unsorted", sign1(b"\xa2\x04\x41\x61\x01\x28", {}, value)),
        ("protected-long", sign1(b"\xa1\x01\x38\x08", {}, value)),
        ("protected-true-key", sign1(b"\xa1\xf5\x28", {}, value)),
        ("protected-true-beside", sign1(b"\xa2\x01\x27\xf5\x28", {}, value)),
        ("protected-empty", sign1(b"", {}, value)),
        ("protected-empty-map", sign1(b"\xa0", {}, value)),
        ("protected-text-algorithm", sign1(encode({1: "ESP256"}), {}, value)),
        ("protected-no-algorithm", sign1(encode({4: b"who"}), {1: -9}, value)),
        ("protected-wide-algorithm", sign1(encode({1: -(1 << 40)}), {}, value)),
        ("protected-byte-more", sign1(protected + b"\0", {}, value)),
        ("payload-attached", sign1(protected, {}, value, payload=b"x")),
        ("mac", sign1(encode({1: 5}), {}, bytes(32), tag=17)),
        ("untagged", own[1:]),
        ("five-members", encode(Tag(18, [protected, {}, None, value, 0]))),
        ("byte-more", own + b"\0"),
        ("signature-text", encode(Tag(18, [protected, {}, None, "x"]))),
    ):
        yield Case(f"package-block-{name}", with_blocks(raw, block), ENVELOPE)
        yield Case(f"package-block-beside-{name}", with_blocks(raw, own, block), ENVELOPE)


def _headers(raw: bytes, digest: bytes) -> Iterator[Case]:
    """A protected header whose head does not fit what follows, signed as it stands: the map says two pairs, the string ends early."""
    own = b"\x43\xa1\x01\x28"
    for name, signed, header in (
        ("more-pairs", b"\xa2\x01\x28", b"\x43\xa2\x01\x28"),
        ("ends-early", b"\xa1\x01", b"\x42\xa1\x01\x28"),
    ):
        value = signer("keys/packages").sign(to_be_signed(signed, digest))
        block = sign1(own[1:], {}, value)
        assert block.count(own) == 1
        yield Case(f"package-block-protected-{name}", with_blocks(raw, block.replace(own, header)), ENVELOPE)


def _others(raw: bytes, digest: bytes, own: bytes) -> Iterator[Case]:
    """Blocks that anyone could add, behind the good one and in front of it; most, and largest."""
    stranger = cose_block("somebody", digest, -9)
    quantum = cose_block("keys/packages-pq", digest, -48)
    yield idle("package-block-of-a-stranger", with_blocks(raw, own, stranger))
    yield idle("package-block-of-a-stranger-first", with_blocks(raw, stranger, own))
    yield idle("package-block-twice", with_blocks(raw, own, own))
    yield idle("package-block-of-the-images-key", with_blocks(raw, own, cose_block("keys/images", digest, -9)))
    yield idle("package-block-of-a-desk", with_blocks(raw, own, cose_block("keys-dev/packages", digest, -9)))
    yield idle("package-block-malformed", with_blocks(raw, own, assemble(-9, bytes(64))))
    yield idle("package-block-es256", with_blocks(raw, own, cose_block("keys/packages", digest, -7)))
    yield idle("package-block-es384", with_blocks(raw, own, assemble(-35, bytes(96))))
    yield idle("package-block-unregistered", with_blocks(raw, own, assemble(-65999, b"")))
    yield idle("package-block-lowest", with_blocks(raw, own, assemble(-(1 << 32), b"x")))
    yield idle("package-block-of-a-second-algorithm", with_blocks(raw, own, quantum))
    fifteen = [cose_block(f"stranger {number}", digest, -9) for number in range(BLOCKS - 1)]
    yield idle("package-block-and-fifteen-strangers", with_blocks(raw, own, *fifteen))
    yield idle("package-block-behind-fifteen", with_blocks(raw, *fifteen, own))
    yield Case("package-block-and-sixteen-strangers", with_blocks(raw, own, *fifteen, stranger), ENVELOPE)
    room = BLOCK_BYTES - len(assemble(-35, bytes(4000))) + 4000
    assert len(assemble(-35, bytes(room))) == BLOCK_BYTES
    yield idle("package-block-largest", with_blocks(raw, own, assemble(-35, bytes(room))))
    yield Case("package-block-too-large", with_blocks(raw, own, assemble(-35, bytes(room + 1))), ENVELOPE)
    full = [assemble(-35, bytes(room))] * 13
    yield idle("package-blocks-below-64-kib", with_blocks(raw, own, *full))
    yield Case("package-blocks-above-64-kib", with_blocks(raw, own, *full, full[0]), ENVELOPE)
    yield Case("package-block-only-others", with_blocks(raw, *fifteen), "signature.wrong-key")


def _named(raw: bytes, digest: bytes, own: bytes) -> Iterator[Case]:
    """The product file knows of them: one block by each key, of an algorithm that nothing verifies as many as signers."""
    second, quantum = cose_block("keys/second-packages", digest, -9), cose_block("keys/packages-pq", digest, -48)
    newer = assemble(-35, bytes(96))
    for name, blocks in (
        ("next-key", (own, second)),
        ("next-key-first", (second, own)),
        ("next-algorithm", (own, quantum)),
        ("unverified", (own, newer)),
        ("all", (own, second, quantum, newer)),
        ("under-es256", (own, cose_block("keys/second-packages", digest, -7))),
    ):
        yield Case(f"package-block-named-{name}", with_blocks(raw, *blocks), "accepted", product=UNCOUNTED)
    yield idle("package-block-named-twice", with_blocks(raw, own, second, second), UNCOUNTED)
    yield idle("package-block-named-unverified-twice", with_blocks(raw, own, newer, newer), UNCOUNTED)
    yield idle("package-block-named-and-stranger", with_blocks(raw, own, second, cose_block("somebody", digest, -9)), UNCOUNTED)  # fmt: skip
    bad = quantum[:-20] + bytes([quantum[-20] ^ 1]) + quantum[-19:]
    yield idle("package-block-named-and-not-its-own", with_blocks(raw, own, bad), UNCOUNTED)
    yield Case("package-block-named-alone", with_blocks(raw, second), "signature.wrong-key", product=UNCOUNTED)
    alone = "trust.algorithm-not-allowed"
    yield Case("package-block-named-algorithm-alone", with_blocks(raw, quantum, newer), alone, product=UNCOUNTED)
