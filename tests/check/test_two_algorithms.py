"""ESP256 and ML-DSA-44 together: what must verify, one fault each, on sealed images and on packages.

What must verify is this tool's own rule (docs/decisions/009-second-signature.md); algorithm numbers and lengths are those of RFC 9864
and RFC 9964.
"""

import functools
from collections.abc import Callable

import pytest
from workshop import (
    BUILD_TIME,
    Workshop,
    any_signer,
    codes,
    cose_block,
    firmware,
    first,
    make,
    product,
    repacked,
    resealed,
    two_algorithms,
    verdict,
    workshop,
)

from imgseal.device_state.device import fresh
from imgseal.errors import SigningKeyError, UsageError
from imgseal.flow.release import Job, release
from imgseal.formats.cbor.strict import decode, encode
from imgseal.formats.cose.sign1 import assemble, take_apart
from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement
from imgseal.formats.sealed_image.statement import SignatureSlot
from imgseal.formats.suit.envelope import decode_envelope, envelope_pieces
from imgseal.keys.mldsa44 import MlDsa44Key
from imgseal.keys.signer import Signer
from imgseal.keys.trusted_keys import Trust, resolve
from imgseal.keys.untrusted import fresh_signer
from imgseal.make.pack import pack
from imgseal.make.seal import SealOptions
from imgseal.product.model import Product

IMAGES = ("keys/images", "keys/images-pq")
PACKAGES = ("keys/packages", "keys/packages-pq")


def with_rule(rule: str) -> Callable[[str], str]:
    return lambda text: two_algorithms(text).replace("[rules]\n", f"[rules]\n{rule}\n")


@functools.cache
def both() -> Workshop:
    return make(product(two_algorithms))


@functools.cache
def either_first() -> Workshop:
    """For the time in which old devices lack ML-DSA-44: it may be there, ESP256 must."""
    return make(product(with_rule('must_verify = ["ESP256"]')))


def motor() -> bytes:
    return both().images["motor-a"]


# -- sealed images


def test_the_image_carries_both() -> None:
    """Statement, 64 bytes, 2,420 bytes, fill to 3,072; both over the same 384 bytes, in the order of the rules."""
    block = decode_header_block(motor())
    assert [(s.algorithm, s.length) for s in block.statement.signatures] == [(-9, 64), (-48, 2420)]
    assert [s.key_id for s in block.statement.signatures] == [any_signer(name).public.key_id for name in IMAGES]
    assert motor()[384 + 64 + 2420 : 3072] == b"\xff" * (3072 - 2868)
    assert first(motor(), both()) == "accepted"
    assert dict(verdict(motor(), both()).details)["signed by"] == "keys/images.pub.pem, keys/images-pq.pub.pem"


@pytest.mark.parametrize(
    ("at", "code"),
    [
        (384, "signature.does-not-verify"), (447, "signature.does-not-verify"), (448, "signature.does-not-verify"),
        (1500, "signature.does-not-verify"), (2867, "signature.does-not-verify"), (2868, "structure.fill-not-erased"),
    ],
)  # fmt: skip
def test_one_bit(at: int, code: str) -> None:
    """In either signature, and in the first byte behind them; never outvoted, and with the laxer rule just as well."""
    raw = bytearray(motor())
    raw[at] ^= 1
    for shop in (both(), either_first()):
        assert codes(bytes(raw), shop) == [code]


def test_a_header_bit_spoils_both() -> None:
    raw = bytearray(motor())
    raw[212] ^= 1
    assert codes(bytes(raw), both()) == ["signature.does-not-verify"] * 2


@pytest.mark.parametrize(
    ("by", "strict", "lax"),
    [
        (IMAGES, "accepted", "accepted"),
        (IMAGES[::-1], "accepted", "accepted"),
        (IMAGES[:1], "trust.too-few-signatures", "accepted"),
        (IMAGES[1:], "trust.too-few-signatures", "trust.too-few-signatures"),
        (("keys/images", "somebody-pq"), "trust.unknown-key", "accepted"),
        (("somebody", "keys/images-pq"), "trust.unknown-key", "trust.unknown-key"),
        (("somebody", "somebody-pq"), "trust.unknown-key", "trust.unknown-key"),
        (("keys/images", "keys/packages-pq"), "trust.unknown-key", "accepted"),
        (("keys/images", "keys-dev/images-pq"), "trust.unknown-key", "accepted"),
        (("keys/images", "somebody", "keys/images-pq"), "accepted", "accepted"),
    ],
)
def test_who_has_signed(by: tuple[str, ...], strict: str, lax: str) -> None:
    raw = resealed(motor(), by=by)
    assert (first(raw, both()), first(raw, either_first())) == (strict, lax)


def test_what_is_said_of_a_missing_one() -> None:
    alone = verdict(resealed(motor(), by=IMAGES[1:]), either_first()).findings[0]
    assert (alone.expected, alone.found) == ("1 key", "0")
    finding = verdict(resealed(motor(), by=IMAGES[:1]), both()).findings[0]
    assert "ML-DSA-44" in finding.message
    assert finding.expected == "1 for each of ESP256, ML-DSA-44"
    assert "rules.must_verify" in str(finding.hint)
    unknown = verdict(resealed(motor(), by=("keys/images", "keys/packages-pq")), both()).findings[0]
    assert "keys/packages-pq.pub.pem, which the product file trusts for packages only" in str(unknown.hint)


def sealed_as(slots: list[tuple[int, str, bytes | None]]) -> bytes:
    """An image whose slots say these algorithms, the key named, and its own signature or these bytes."""
    statement = decode_header_block(motor()).statement
    entries = []
    for algorithm, name, value in slots:
        length = {-9: 64, -48: 2420}.get(algorithm) or len(value or b"")
        entries.append(SignatureSlot(algorithm, any_signer(name).public.key_id, length))
    statement = statement._replace(signatures=tuple(entries))
    message = encode_statement(statement)
    values = tuple(any_signer(name).sign(message) if value is None else value for _, name, value in slots)
    return encode_header_block(statement, values) + motor()[3072:]


def test_slots_that_lie() -> None:
    """Keys exchanged between the algorithms, signatures exchanged between the slots, an algorithm number exchanged."""
    quantum, classic = b"\x11" * 2420, b"\x11" * 64
    exchanged = sealed_as([(-9, IMAGES[1], classic), (-48, IMAGES[0], quantum)])
    assert first(exchanged, both()) == "trust.unknown-key"
    beside = sealed_as([(-9, IMAGES[0], None), (-48, IMAGES[0], quantum)])
    assert first(beside, both()) == "trust.unknown-key"
    renamed = sealed_as([(-9, IMAGES[0], None), (-49, IMAGES[1], quantum)])
    assert first(renamed, both()) == "trust.too-few-signatures"
    alone = sealed_as([(-49, IMAGES[1], quantum)])
    assert first(alone, both()) == "trust.algorithm-not-allowed"
    filled = sealed_as([(-9, IMAGES[0], None), (-48, IMAGES[1], quantum)])
    assert codes(filled, both()) == codes(filled, either_first()) == ["signature.does-not-verify"]
    es256 = sealed_as([(-7, IMAGES[0], classic), (-48, IMAGES[1], None)])
    assert first(es256, both()) == "trust.too-few-signatures"


def test_a_product_without_the_second_skips_it() -> None:
    """Old devices take new images: a slot of an algorithm that the rules do not list is not looked at, whatever it holds."""
    old = product(lambda text: text.replace("counter = ", "header_block = 3072\ncounter = "))
    shop = make(old)
    assert first(motor(), shop) == "accepted"
    spoiled = bytearray(motor())
    spoiled[1500] ^= 1
    assert first(bytes(spoiled), shop) == "accepted"
    assert first(resealed(motor(), by=IMAGES[1:]), shop) == "trust.algorithm-not-allowed"


def test_the_second_alone() -> None:
    """A product may list ML-DSA-44 only; a P-256 signature then counts for nothing."""

    def edit(text: str) -> str:
        text = two_algorithms(text).replace('"ESP256", ', "")
        for role in ("images", "packages"):
            for folder in ("keys", "keys-dev"):
                text = text.replace(f'"{folder}/{role}.pub.pem", ', "")
        return text

    of = product(edit)
    trust = resolve(of, public_pem)
    shop = Workshop(of, trust, {}, b"")
    assert first(resealed(motor(), by=IMAGES[1:]), shop) == "accepted"
    assert first(resealed(motor(), by=IMAGES[:1]), shop) == "trust.algorithm-not-allowed"


def public_pem(reference: str) -> bytes:
    from imgseal.keys.pem import encode_public

    return encode_public(any_signer(reference.removesuffix(".pub.pem")).public)


def test_revoked_and_example_keys() -> None:
    """A quantum-safe key is revoked and recognised as a classic one is."""
    of = both().product
    state = fresh(of)._replace(revoked=(any_signer(IMAGES[1]).public.key_id.hex(),))
    assert first(motor(), both(), state) == "trust.key-revoked"
    from imgseal.keys.mldsa44 import MlDsa44Signer, from_seed

    zeros = MlDsa44Signer(from_seed(bytes(32)), "zeros").public
    statement = decode_header_block(motor()).statement
    statement = statement._replace(
        signatures=(statement.signatures[0], SignatureSlot(-48, zeros.key_id, 2420)),
    )
    message = encode_statement(statement)
    raw = encode_header_block(statement, (any_signer(IMAGES[0]).sign(message), bytes(2420))) + motor()[3072:]
    assert first(raw, both()) == "trust.example-key"
    keys = tuple(
        k._replace(public=zeros, key_id=zeros.key_id, published="RFC 9964") if k.source == f"{IMAGES[1]}.pub.pem" else k
        for k in both().trust.keys
    )
    assert first(raw, both()._replace(trust=both().trust._replace(keys=keys))) == "trust.example-key"


# -- packages


def package(*blocks: bytes) -> bytes:
    """The package of both algorithms with other authentication blocks."""
    envelope = decode_envelope(both().package)
    payloads = {key: (len(value), iter([bytes(value)])) for key, value in envelope.payloads.items()}
    return b"".join(envelope_pieces(envelope.digest_bytes, blocks, envelope.manifest, dict(envelope.severed), payloads))


def block(name: str, algorithm: int) -> bytes:
    return cose_block(name, decode_envelope(both().package).digest_bytes, algorithm)


def test_the_package_carries_both() -> None:
    """Two COSE_Sign1 over one digest; {1: -48} is a1 01 38 2f."""
    blocks = [take_apart(data) for data in decode_envelope(both().package).blocks]
    assert [(b.algorithm, len(b.signature)) for b in blocks] == [(-9, 64), (-48, 2420)]
    assert blocks[1].protected.hex() == "a101382f"
    assert package(block(PACKAGES[0], -9), block(PACKAGES[1], -48)) == both().package


@pytest.mark.parametrize(
    ("by", "strict", "lax"),
    [
        (PACKAGES, "accepted", "accepted"),
        (PACKAGES[::-1], "accepted", "accepted"),
        (PACKAGES[:1], "trust.too-few-signatures", "accepted"),
        (PACKAGES[1:], "trust.too-few-signatures", "trust.too-few-signatures"),
        ((PACKAGES[0], PACKAGES[0]), "trust.too-few-signatures", "trust.idle-block"),
        ((PACKAGES[0], "somebody-pq"), "signature.wrong-key", "trust.idle-block"),
        (("somebody", PACKAGES[1]), "signature.wrong-key", "signature.wrong-key"),
        ((PACKAGES[0], "keys/images-pq"), "signature.wrong-key", "trust.idle-block"),
        ((PACKAGES[0], "keys-dev/packages-pq"), "signature.wrong-key", "trust.idle-block"),
        ((PACKAGES[0], "somebody-pq", PACKAGES[1]), "trust.idle-block", "trust.idle-block"),
    ],
)
def test_who_has_signed_the_package(by: tuple[str, ...], strict: str, lax: str) -> None:
    raw = repacked(both().package, by=by)
    assert (first(raw, both()), first(raw, either_first())) == (strict, lax)


@pytest.mark.parametrize("index", [0, 1])
def test_one_bit_in_either_block(index: int) -> None:
    """Blocks carry no key identifier: a spoiled one is a signature by nobody known."""
    good = [block(PACKAGES[0], -9), block(PACKAGES[1], -48)]
    spoiled = bytearray(good[index])
    spoiled[-20] ^= 1
    raw = package(*(bytes(spoiled) if n == index else b for n, b in enumerate(good)))
    assert codes(raw, both()) == ["signature.wrong-key"]
    assert first(raw, either_first()) == ("signature.wrong-key" if index == 0 else "trust.idle-block")


def test_blocks_that_lie() -> None:
    """Algorithms exchanged, values of another length, another parameter set."""
    classic, quantum = block(PACKAGES[0], -9), block(PACKAGES[1], -48)
    assert first(package(block(PACKAGES[0], -48), block(PACKAGES[1], -9)), both()) == "signature.malformed"
    assert codes(package(block(PACKAGES[0], -48), block(PACKAGES[1], -9)), both()) == ["signature.malformed"] * 2
    assert first(package(classic, block(PACKAGES[1], -49)), both()) == "trust.too-few-signatures"
    short = assemble(-48, take_apart(quantum).signature[:-1])
    finding = verdict(package(classic, short), both()).findings[0]
    assert (finding.code, finding.expected) == ("signature.malformed", "2420 bytes")
    # an algorithm is signed too: the same value does not hold under ES256's number, which is of the same kind
    es256 = make(product(lambda text: two_algorithms(text).replace('"ESP256", ', '"ESP256", "ES256", ')))
    assert first(package(classic, quantum), es256) == "accepted"
    assert first(package(assemble(-7, take_apart(classic).signature), quantum), es256) == "signature.wrong-key"
    assert first(package(block(PACKAGES[0], -7), quantum), es256) == "accepted"


def test_a_malformed_block_without_any_trusted_key_of_its_kind() -> None:
    """At a desk released keys may be missing: still a finding, no crash."""
    keys = tuple(k for k in both().trust.keys if not isinstance(k.public, MlDsa44Key))
    shop = both()._replace(trust=both().trust._replace(keys=keys))
    raw = package(block(PACKAGES[0], -9), assemble(-48, b"\x01" * 7))
    assert first(raw, shop) == "signature.wrong-key"
    none = both()._replace(trust=both().trust._replace(keys=()))
    assert first(package(assemble(-9, b"\x01" * 7)), none) == "signature.wrong-key"


def test_a_package_by_a_published_key() -> None:
    from imgseal.formats.cose.sign1 import protected_header, to_be_signed
    from imgseal.keys.mldsa44 import MlDsa44Signer, from_seed

    message = to_be_signed(protected_header(-48), decode_envelope(both().package).digest_bytes)
    known = assemble(-48, MlDsa44Signer(from_seed(bytes(32)), "zeros").sign(message))
    assert first(package(block(PACKAGES[0], -9), known), both()) == "trust.example-key"


def test_a_key_identifier_in_the_protected_header_is_another_encoding() -> None:
    """Examples beside RFC 9964 carry one there: {1: -48, 4: kid}. It is signed, and means nothing here."""
    from imgseal.formats.cose.sign1 import to_be_signed

    protected = encode({1: -48, 4: b"anything"})
    signature = any_signer(PACKAGES[1]).sign(to_be_signed(protected, decode_envelope(both().package).digest_bytes))
    tree = decode(block(PACKAGES[1], -48), "x", tags=frozenset({18}))
    tree.value[0], tree.value[3] = protected, signature  # type: ignore[attr-defined]
    assert first(package(block(PACKAGES[0], -9), encode(tree)), both()) == "structure.envelope"


def test_need_counts_within_each_algorithm() -> None:
    """Two signers needed: two of each, and two of one do not make up for one of the other."""

    def edit(text: str) -> str:
        text = two_algorithms(text)
        keys = '"keys/packages.pub.pem", "keys/packages-pq.pub.pem"'
        return text.replace(f"[{keys}]", f'[{keys}, "keys/second.pub.pem", "keys/second-pq.pub.pem"]\nneed = 2')

    of = product(edit)
    trust = resolve(of, public_pem)
    shop = Workshop(of, trust, {}, b"")
    four = (*PACKAGES, "keys/second", "keys/second-pq")
    assert first(repacked(both().package, by=four), shop) == "accepted"
    for left_out in four:
        raw = repacked(both().package, by=tuple(name for name in four if name != left_out))
        assert codes(raw, shop) == ["trust.too-few-signatures"]
    assert codes(repacked(both().package, by=PACKAGES), shop) == ["trust.too-few-signatures"] * 2


# -- development


def test_development_needs_both_as_well() -> None:
    """The desk tests what ships: the same algorithms must verify there."""
    desk = make(product(two_algorithms), development=True)
    assert first(desk.package, desk, development=True) == "accepted"
    assert first(desk.images["radio"], desk, development=True) == "accepted"
    half = resealed(desk.images["radio"], by=("keys-dev/images",))
    assert first(half, desk, development=True) == "trust.too-few-signatures"
    mixed = repacked(desk.package, by=("keys-dev/packages", "keys/packages-pq"))
    assert first(mixed, desk, development=True) == "trust.too-few-signatures"


# -- making


def remake(of: Product, images: tuple[Signer, ...], packages: tuple[Signer, ...], trust: Trust | None = None) -> bytes:
    made = release(Job(
        firmware(0xC00), of, SealOptions(BUILD_TIME, development=False, source_revision=bytes(range(20))), image_signers=images,
        package_signers=packages, trust=trust or both().trust,
    ))  # fmt: skip
    return b"".join(made.package.pieces())


def test_the_order_of_keys_changes_no_byte() -> None:
    of = both().product
    images, packages = (tuple(any_signer(name) for name in names) for names in (IMAGES, PACKAGES))
    assert remake(of, images[::-1], packages[::-1]) == both().package


class Supplied:
    """A signer that hands out values that somebody made before, by message."""

    def __init__(self, of: Signer) -> None:
        self.public, self.name = of.public, of.name
        self.given: dict[bytes, bytes] = {}
        self._of: Signer | None = of

    def stop(self) -> None:
        self._of = None

    def sign(self, message: bytes) -> bytes:
        if message not in self.given:
            assert self._of is not None, "nobody has signed this before"
            self.given[message] = self._of.sign(message)
        return self.given[message]


def test_what_is_promised_about_sameness() -> None:
    """File keys with ESP256: identical bytes. With ML-DSA-44 (hedged): identical statements and manifests, other signatures; and

    a package that is made again from the supplied signatures is identical.
    """
    from second_library import seed_of

    from imgseal.keys.mldsa44 import MlDsa44Signer, from_seed

    assert make(product()).package == workshop().package
    of = both().product

    def hedged(names: tuple[str, ...]) -> tuple[Signer, ...]:
        return any_signer(names[0]), MlDsa44Signer(from_seed(seed_of(names[1])), names[1])

    one, two = (remake(of, hedged(IMAGES), hedged(PACKAGES)) for _ in range(2))
    assert one != two
    first_, second = decode_envelope(one), decode_envelope(two)
    for key, payload in first_.payloads.items():
        other = second.payloads[key]
        assert bytes(payload[: 384 + 64]) == bytes(other[: 384 + 64])  # statement and ESP256 value
        assert bytes(payload[448:2868]) != bytes(other[448:2868])
        assert bytes(payload[2868:]) == bytes(other[2868:])
    # the manifest names the digests of the sealed images, signatures included: it is the same for the same images
    images = tuple(Supplied(signer) for signer in hedged(IMAGES))
    once, again = (remake(of, images, hedged(PACKAGES)) for _ in range(2))
    assert once != again
    assert decode_envelope(once).manifest == decode_envelope(again).manifest
    assert decode_envelope(once).blocks[0] == decode_envelope(again).blocks[0]
    packages = tuple(Supplied(signer) for signer in hedged(PACKAGES))
    made = remake(of, images, packages)
    for signer in (*images, *packages):
        signer.stop()
    assert remake(of, images, packages) == made


def test_the_header_block_has_to_hold_the_signatures() -> None:
    """Found when the product file is read: 384 + 64 + 2,420 is 2,868; the next multiple of 128 that leaves 64 vectors aligned is 3,072."""
    for size, fits in ((1024, "3072"), (2816, "3072")):
        with pytest.raises(UsageError) as caught:
            product(lambda text, n=size: two_algorithms(text).replace("header_block = 3072", f"header_block = {n}"))  # type: ignore[misc]
        error = caught.value
        assert (error.message, error.found) == (
            "the header block is too small for the signatures that the rules ask for",
            str(size),
        )
        assert error.place.key == "component.motor.header_block"
        assert error.place.line is not None
        assert "at least 2868" in str(error.expected)
        assert f"header_block = {fits}" in str(error.hint)
    data = two_algorithms(product_text_of_phrases())
    assert product(lambda _text: data).components["phrases"].header_block == 2944


def product_text_of_phrases() -> str:
    """Data has no vectors to align: 2,944 will do for it."""
    from imgseal.product.starter import product_text

    head, name, tail = product_text().partition("[component.phrases]")
    return head + name + "\nheader_block = 2944" + tail.replace("counter = 1\n", "counter=1\n", 1)


def test_more_signers_than_there_is_room_for() -> None:
    """Where the rules need less, the build says it: with the optional signature the header block has to be larger."""
    of = product(
        lambda text: with_rule('must_verify = ["ESP256"]')(text).replace("header_block = 3072", "header_block = 1024")
    )
    signers = tuple(any_signer(name) for name in IMAGES)
    with pytest.raises(UsageError) as caught:
        release(
            Job(
                firmware(),
                of,
                SealOptions(0, development=False),
                image_signers=signers,
                package_signers=(),
                trust=both().trust,
            )
        )
    assert caught.value.message == "the header block is too small for the signatures"
    assert "header_block = 3072" in str(caught.value.hint)
    with pytest.raises(UsageError, match="room for three"):
        release(
            Job(
                firmware(0xC00),
                both().product,
                SealOptions(0, development=False),
                image_signers=(*signers, *signers),
                package_signers=(),
                trust=both().trust,
            )
        )


def test_a_signing_key_that_the_rules_have_no_algorithm_for() -> None:
    of = product()
    with pytest.raises(SigningKeyError, match="no algorithm for this signing key"):
        release(
            Job(
                firmware(),
                of,
                SealOptions(0, development=False),
                image_signers=(any_signer(IMAGES[1]),),
                package_signers=(),
                trust=both().trust,
            )
        )
    with pytest.raises(SigningKeyError, match="no algorithm for this signing key"):
        pack((), of, (any_signer(PACKAGES[1]),), development=False)
    assert fresh_signer().public.kind == "P-256"
