"""ML-DSA-44 against vectors and against a second library; key files against `cryptography` itself.

The vectors are those of the package cryptography-vectors: kat_MLDSA_44_det_pure.rsp (100 known answers, deterministic, pure, each
with a context of its own) and mldsa44_priv.der, mldsa44_pub.der (one pair as files). Nothing there has the empty context that COSE
uses, so the chain is: the second library gives the known answers bit for bit, context included; then it signs with the empty
context and ours verifies, and the other way round.
"""

import base64
import functools
import hashlib
from pathlib import Path

import cryptography_vectors
import pytest
from cryptography.hazmat.primitives.asymmetric.mldsa import MLDSA44PrivateKey, MLDSA44PublicKey, MLDSA65PrivateKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
)
from second_library import SecondLibrarySigner, holds, key_pair, seed_of
from workshop import public_key, signer

from imgseal.errors import SigningKeyError
from imgseal.formats.cbor.strict import encode
from imgseal.formats.cose.kid import akp_thumbprint
from imgseal.formats.cose.labels import ALGORITHMS
from imgseal.formats.sealed_image import layout
from imgseal.keys import public_key as anykey
from imgseal.keys.mldsa44 import PUBLIC_BYTES, SEED_BYTES, MlDsa44Key, MlDsa44Signer, from_seed, verify
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.pem import encode_private, encode_public, load_private, load_public
from imgseal.keys.published import origin_of, published_keys
from imgseal.keys.signer import Signer, file_signer, sign_and_verify
from imgseal.product.algorithms import ALGORITHMS as NAMES
from imgseal.product.algorithms import ML_DSA_44, SIGNATURE_BYTES
from imgseal.product.signature_room import room_for


@functools.cache
def known_answers() -> list[dict[str, bytes]]:
    cases: list[dict[str, bytes]] = []
    path = Path("asymmetric/MLDSA/kat_MLDSA_44_det_pure.rsp")
    with cryptography_vectors.open_vector_file(str(path), "r") as stream:
        for line in stream:
            name, equals, value = (part.strip() for part in line.partition("="))
            if name == "count":
                cases.append({})
            elif equals and name not in ("mlen", "smlen"):
                cases[-1][name] = bytes.fromhex(value)
    assert len(cases) == 100
    return cases


def test_known_answers_give_the_public_keys() -> None:
    """cryptography-vectors, kat_MLDSA_44_det_pure.rsp: the public key of each seed (FIPS 204 algorithm 6)."""
    for case in known_answers():
        public = MlDsa44Signer(from_seed(case["xi"]), "known answer").public
        assert public.value == case["pk"]
        assert len(public.value) == PUBLIC_BYTES
        assert len(case["xi"]) == SEED_BYTES


def test_known_answers_give_the_signatures() -> None:
    """The same file: the second library makes each signature again, the first one verifies it; ours takes the empty context only."""
    from dilithium_py.ml_dsa import ML_DSA_44 as SECOND

    for number, case in enumerate(known_answers()):
        signature = case["sm"][: SIGNATURE_BYTES[ML_DSA_44]]
        assert case["sm"] == signature + case["msg"]
        MLDSA44PublicKey.from_public_bytes(case["pk"]).verify(signature, case["msg"], case["ctx"])
        with pytest.raises(BadSignatureError, match="does not verify"):
            verify(MlDsa44Key(case["pk"]), case["msg"], signature)
        if number < 10:  # pure Python takes 30 ms for each
            again = SECOND.sign(key_pair(case["xi"])[1], case["msg"], ctx=case["ctx"], deterministic=True)
            assert again == signature


def test_the_vector_files_are_read() -> None:
    """mldsa44_priv.der and mldsa44_pub.der of cryptography-vectors, as PEM: one pair, seed form."""

    def pem(name: str, label: str) -> bytes:
        with cryptography_vectors.open_vector_file(f"asymmetric/MLDSA/{name}", "rb") as stream:
            der: bytes = stream.read()
        text = base64.encodebytes(der)
        return f"-----BEGIN {label}-----\n".encode() + text + f"-----END {label}-----\n".encode()

    private = file_signer(load_private(pem("mldsa44_priv.der", "PRIVATE KEY"), "x", nobody), "x")
    assert load_public(pem("mldsa44_pub.der", "PUBLIC KEY"), "x") == private.public
    with pytest.raises(
        SigningKeyError, match=r"neither for ECDSA on P-256 nor for ML-DSA-44|not a readable private key"
    ):
        load_private(pem("mldsa65_noseed_priv.der", "PRIVATE KEY"), "x", nobody)


def nobody() -> bytes:
    raise AssertionError("no pass phrase is needed")


@pytest.mark.parametrize("message", [b"", b"statement" * 43, bytes(384)])
def test_two_libraries_agree(message: bytes) -> None:
    """dilithium-py 1.5 and `cryptography` (OpenSSL): each verifies what the other signs, and refuses another message."""
    seed = seed_of("two libraries")
    ours, theirs = MlDsa44Signer(from_seed(seed), "ours"), SecondLibrarySigner("two libraries")
    assert ours.public == theirs.public
    mine, other = ours.sign(message), theirs.sign(message)
    assert holds(ours.public.value, message, mine)
    assert not holds(ours.public.value, message + b"\0", mine)
    verify(theirs.public, message, other)
    with pytest.raises(BadSignatureError):
        verify(theirs.public, message + b"\0", other)


def test_signing_is_hedged_and_verifying_does_not_care() -> None:
    """What is promised about sameness rests on this: `cryptography` signs with fresh randomness (FIPS 204 section 3.4)."""
    one = MlDsa44Signer(MLDSA44PrivateKey.generate(), "one")
    first, second = one.sign(b"message"), one.sign(b"message")
    assert first != second
    assert {len(first), len(second)} == {2420}
    for value in (first, second):
        verify(one.public, b"message", value)
    still = SecondLibrarySigner("still")
    assert still.sign(b"message") == SecondLibrarySigner("still").sign(b"message")


@pytest.mark.parametrize("at", [0, 31, 32, 1200, 2335, 2336, 2400, 2419])
def test_every_part_of_a_signature_counts(at: int) -> None:
    """One bit in the commitment hash (32 bytes), the response (2,304) or the hint (84); sizes of FIPS 204 table 1, from memory."""
    one = SecondLibrarySigner("parts")
    value = bytearray(one.sign(b"message"))
    value[at] ^= 1
    with pytest.raises(BadSignatureError) as caught:
        verify(one.public, b"message", bytes(value))
    assert not caught.value.malformed


@pytest.mark.parametrize("length", [0, 64, 2419, 2421, 3309, 4627])
def test_another_length_is_malformed(length: int) -> None:
    one = SecondLibrarySigner("parts")
    with pytest.raises(BadSignatureError) as caught:
        verify(one.public, b"message", (one.sign(b"message") + bytes(3000))[:length])
    assert caught.value.malformed


def test_a_key_verifies_with_its_own_algorithm_only() -> None:
    """A key of one kind never takes a value of the other."""
    quantum, classic = SecondLibrarySigner("some"), signer("some")
    anykey.verify(quantum.public, b"m", quantum.sign(b"m"))
    anykey.verify(classic.public, b"m", classic.sign(b"m"))
    for key, value in ((quantum.public, classic.sign(b"m")), (classic.public, quantum.sign(b"m"))):
        with pytest.raises(BadSignatureError) as caught:
            anykey.verify(key, b"m", value)
        assert caught.value.malformed


def test_thumbprint() -> None:
    """RFC 9679 over an AKP key of RFC 9964: kty 7, alg -48, pub. That these three count: tests/formats/cose/test_numbers.py."""
    public = SecondLibrarySigner("some").public
    required = encode({1: 7, 3: -48, -1: public.value})
    assert public.thumbprint == akp_thumbprint(public.value) == hashlib.sha256(required).digest()
    assert public.key_id == public.thumbprint[:16]


@pytest.mark.parametrize("phrase", [None, b"pass phrase"])
def test_key_files_are_those_of_the_library(phrase: bytes | None) -> None:
    """PKCS#8 in seed form and SubjectPublicKeyInfo as `cryptography` writes them."""
    private = MLDSA44PrivateKey.generate()
    protection = NoEncryption() if phrase is None else BestAvailableEncryption(phrase)
    written = encode_private(private, phrase)
    assert (b"ENCRYPTED" in written) == (phrase is not None)
    opened = load_pem_private_key(written, phrase)
    assert isinstance(opened, MLDSA44PrivateKey)
    assert opened.private_bytes_raw() == private.private_bytes_raw()
    theirs = private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, protection)
    for pem in (written, theirs):
        loaded = load_private(pem, "x", lambda: phrase or nobody())
        assert isinstance(loaded, MLDSA44PrivateKey)
        assert loaded.private_bytes_raw() == private.private_bytes_raw()
    public = file_signer(private, "x").public
    spki = private.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    assert encode_public(public) == spki
    assert load_public(spki, "x") == public
    assert load_public(b"a comment in front\n" + spki, "x") == public


def test_other_parameter_sets_and_damage_are_named() -> None:
    other = MLDSA65PrivateKey.generate()
    pem = other.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    with pytest.raises(SigningKeyError, match="neither for ECDSA on P-256 nor for ML-DSA-44"):
        load_private(pem, "x", nobody)
    spki = other.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    with pytest.raises(SigningKeyError, match="neither for ECDSA on P-256 nor for ML-DSA-44"):
        load_public(spki, "x")
    body = base64.b64decode(b"".join(encode_public(SecondLibrarySigner("some").public).split(b"\n")[1:-2]))
    for wrong in (body[:-1], body + b"\0", body[:14] + b"\x12" + body[15:]):
        text = b"-----BEGIN PUBLIC KEY-----\n" + base64.encodebytes(wrong) + b"-----END PUBLIC KEY-----\n"
        with pytest.raises(SigningKeyError, match=r"not a readable public key|neither"):
            load_public(text, "x")
    private = encode_private(MLDSA44PrivateKey.generate(), b"right")
    with pytest.raises(SigningKeyError, match="pass phrase does not open"):
        load_private(private, "x", lambda: b"wrong")
    with pytest.raises(SigningKeyError, match="a private key stands"):
        load_public(encode_private(MLDSA44PrivateKey.generate(), None), "x")


def test_a_signer_that_lies_is_caught() -> None:
    class Faulty:
        name = "faulty"
        public = SecondLibrarySigner("some").public

        def sign(self, message: bytes) -> bytes:
            return SecondLibrarySigner("other").sign(message)

    faulty: Signer = Faulty()
    with pytest.raises(SigningKeyError, match="does not verify"):
        sign_and_verify(faulty, b"message")


def test_keys_that_everyone_has_are_known() -> None:
    """Seeds of printed examples: zeros (RFC 9964's), counting bytes (RFC 9881's, from memory), 42s (cryptography-vectors), ones."""
    seeds = (bytes(32), bytes(range(32)), b"\x2a" * 32, b"\xff" * 32)
    keys = published_keys(ML_DSA_44)
    assert {MlDsa44Signer(from_seed(seed), "x").public for seed in seeds} == set(keys)
    for key, origin in keys.items():
        assert origin_of(key) == origin
    assert origin_of(SecondLibrarySigner("some").public) is None
    assert origin_of(public_key("some")) is None


def test_tables_agree() -> None:
    """Names, COSE numbers, kinds and lengths stand in several layers: here they are held together."""
    assert {NAMES[ALGORITHMS[number]]: kind for number, kind in anykey.KINDS.items()} == {k: k for k in SIGNATURE_BYTES}
    for kind, number in anykey.SEALED_NUMBERS.items():
        assert layout.SIGNATURE_BYTES[number] == SIGNATURE_BYTES[kind]
        assert room_for([kind]) == layout.STATEMENT_BYTES + SIGNATURE_BYTES[kind]
    assert (layout.ESP256, layout.ML_DSA_44) == (-9, -48)


def test_nothing_secret_is_shown() -> None:
    assert repr(MlDsa44Signer(from_seed(seed_of("x")), "keys/x.pem")) == "MlDsa44Signer('keys/x.pem')"
