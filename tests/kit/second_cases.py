"""Cases of ML-DSA-44 beside ESP256, on sealed images and packages; a checker without ML-DSA-44 leaves out those that say so."""

import functools
from collections.abc import Iterator

from block_cases import IDLE, IDLE_CODE, with_blocks
from image_cases import Case, device
from kit_base import firmware, image, patched, product, u16, u32
from workshop import Workshop, any_signer, cose_block, make, repacked, resealed

from imgseal.formats.cose.sign1 import assemble, take_apart
from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement
from imgseal.formats.sealed_image.statement import SignatureSlot
from imgseal.formats.suit.envelope import decode_envelope

BOTH, LAX = "kit-two-algorithms", "kit-second-optional"
NEEDS = ("ML-DSA-44",)
IMAGES, PACKAGES = ("keys/images", "keys/images-pq"), ("keys/packages", "keys/packages-pq")


@functools.cache
def good(*, development: bool = False) -> Workshop:
    of = product(BOTH)
    return make(of, files=firmware(of), development=development)


def second_cases() -> Iterator[Case]:
    yield from _skipped()
    yield from _images()
    yield from _packages()


def _skipped() -> Iterator[Case]:
    """Products that list ESP256 alone: any checker skips the second signature."""
    large = image("large")
    yield Case("second-skipped", resealed(large, by=IMAGES), "accepted")
    yield Case("second-skipped-first-in-line", resealed(large, by=IMAGES[::-1]), "accepted")
    spoiled = bytearray(resealed(large, by=IMAGES))
    spoiled[1500] ^= 1
    yield Case("second-skipped-spoiled", bytes(spoiled), "accepted")
    yield Case("second-alone-unlisted", resealed(large, by=IMAGES[1:]), "trust.algorithm-not-allowed")
    for length in (64, 2419, 2421):
        slot = u32(2**32 - 48) + bytes(range(16)) + u16(length)
        raw = patched("large", "signature_1_algorithm", slot)
        yield Case(f"second-length-{length}", raw, "structure.field-invalid")


def _case(name: str, artefact: bytes, strict: str, lax: str, **arguments: object) -> Iterator[Case]:
    """One artefact under both rules; idle where the second signature is optional, a device passes over it."""
    yield Case(name, artefact, strict, product=BOTH, algorithms=NEEDS, **arguments)  # type: ignore[arg-type]
    if lax == IDLE_CODE:
        arguments = {**arguments, "device_first": "accepted", "difference": IDLE}
    yield Case(f"{name}-optional", artefact, lax, product=LAX, algorithms=NEEDS, **arguments)  # type: ignore[arg-type]


def _lying(slots: list[tuple[int, str, bytes | None]]) -> bytes:
    """An image whose slots say these algorithms and the keys named; each signature its key's own, or these bytes."""
    sealed = good().images["app-a"]
    statement = decode_header_block(sealed).statement
    statement = statement._replace(
        signatures=tuple(
            SignatureSlot(number, any_signer(name).public.key_id, {-9: 64, -48: 2420}.get(number) or len(value or b""))
            for number, name, value in slots
        )
    )
    message = encode_statement(statement)
    values = tuple(any_signer(name).sign(message) if value is None else value for _, name, value in slots)
    return encode_header_block(statement, values) + sealed[2944:]


def _images() -> Iterator[Case]:
    app = good().images["app-a"]
    bad, few, unknown = "signature.does-not-verify", "trust.too-few-signatures", "trust.unknown-key"
    yield from _case("second-good", app, "accepted", "accepted")
    yield from _case("second-good-data", good().images["table"], "accepted", "accepted")
    for name, at, code in (
        ("first-signature-bit", 400, bad), ("first-bit", 448, bad), ("middle-bit", 1500, bad), ("last-bit", 2867, bad),
        ("fill", 2868, "structure.fill-not-erased"),
    ):  # fmt: skip
        raw = bytearray(app)
        raw[at] ^= 1
        yield from _case(f"second-{name}", bytes(raw), code, code)
    for name, by, strict, lax in (
        ("dropped", IMAGES[:1], few, "accepted"),
        ("first-dropped", IMAGES[1:], few, few),
        ("dropped-beside-unknown", ("somebody", "keys/images"), few, "accepted"),
        ("unknown-key", ("keys/images", "somebody-pq"), unknown, "accepted"),
        ("first-unknown-key", ("somebody", "keys/images-pq"), unknown, unknown),
        ("packages-key", ("keys/images", "keys/packages-pq"), unknown, "accepted"),
        ("development-key", ("keys/images", "keys-dev/images-pq"), unknown, "accepted"),
        ("other-component", ("keys/images", "keys/table-only-pq"), "trust.key-not-for-this", "trust.key-not-for-this"),
        ("other-order", IMAGES[::-1], "accepted", "accepted"),
        ("three-signers", ("somebody", *IMAGES), "accepted", "accepted"),
    ):
        yield from _case(f"second-{name}", resealed(app, by=by), strict, lax)
    for name, slots, strict, lax in (
        ("keys-exchanged", [(-9, IMAGES[1], bytes(64)), (-48, IMAGES[0], bytes(2420))], unknown, unknown),
        ("other-parameters", [(-9, IMAGES[0], None), (-49, IMAGES[1], bytes(2420))], few, "accepted"),
        ("zeros", [(-9, IMAGES[0], None), (-48, IMAGES[1], bytes(2420))], bad, bad),
        ("first-as-es256", [(-7, IMAGES[0], bytes(64)), (-48, IMAGES[1], None)], few, few),
    ):  # fmt: skip
        yield from _case(f"second-{name}", _lying(slots), strict, lax)  # type: ignore[arg-type]
    revoked = device(revoked=[any_signer(IMAGES[1]).public.key_id.hex()], current={}, counters={})
    yield from _case("second-revoked", app, "trust.key-revoked", "trust.key-revoked", device=revoked)
    desk = good(development=True).images["app-a"]
    yield from _case("second-development", desk, "accepted", "accepted", development=True)
    half = resealed(desk, by=("keys-dev/images",))
    yield from _case("second-development-dropped", half, few, "accepted", development=True)


def _packages() -> Iterator[Case]:
    raw = good().package
    wrong, few = "signature.wrong-key", "trust.too-few-signatures"
    yield from _case("package-second-good", raw, "accepted", "accepted")
    for name, by, strict, lax in (
        ("dropped", PACKAGES[:1], few, "accepted"),
        ("first-dropped", PACKAGES[1:], few, few),
        ("by-somebody", (PACKAGES[0], "somebody-pq"), wrong, IDLE_CODE),
        ("first-by-somebody", ("somebody", PACKAGES[1]), wrong, wrong),
        ("images-key", (PACKAGES[0], "keys/images-pq"), wrong, IDLE_CODE),
        ("other-order", PACKAGES[::-1], "accepted", "accepted"),
    ):
        yield from _case(f"package-second-{name}", repacked(raw, by=by), strict, lax)
    digest = decode_envelope(raw).digest_bytes
    classic, quantum = cose_block(PACKAGES[0], digest, -9), cose_block(PACKAGES[1], digest, -48)
    spoiled = quantum[:-20] + bytes([quantum[-20] ^ 1]) + quantum[-19:]
    exchanged = cose_block(PACKAGES[0], digest, -48), cose_block(PACKAGES[1], digest, -9)
    short = assemble(-48, take_apart(quantum).signature[:-1])
    for name, blocks, strict, lax in (
        ("bit", (classic, spoiled), wrong, IDLE_CODE),
        ("exchanged", exchanged, "signature.malformed", "signature.malformed"),
        ("short", (classic, short), "signature.malformed", IDLE_CODE),
        ("other-parameters", (classic, cose_block(PACKAGES[1], digest, -49)), few, IDLE_CODE),
    ):
        yield from _case(f"package-second-{name}", with_blocks(raw, *blocks), strict, lax)
