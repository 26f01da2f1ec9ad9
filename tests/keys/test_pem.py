"""Key files: the fixed layouts that are read without the library give what the library gives; damage is named."""

import base64

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from workshop import private_key, public_key

from imgseal.errors import SigningKeyError
from imgseal.keys.p256 import ORDER
from imgseal.keys.pem import encode_private, encode_public, load_private, load_public
from imgseal.keys.public_key import AnyPrivateKey
from imgseal.keys.signer import FileSigner, sign_and_verify


def nobody() -> bytes:
    raise AssertionError("no pass phrase is needed")


def scalar(private: AnyPrivateKey) -> int:
    assert isinstance(private, ec.EllipticCurvePrivateKey)
    return private.private_numbers().private_value


@settings(max_examples=40)
@given(st.integers(1, ORDER - 1))
def test_files_of_the_library_are_read_as_the_library_reads_them(value: int) -> None:
    """`cryptography` is the reference; leading zeros of scalar and coordinates are kept."""
    private = ec.derive_private_key(value, ec.SECP256R1())
    pem = private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    assert scalar(load_private(pem, "x", nobody)) == value
    public = private.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    key = load_public(public, "x")
    assert encode_public(key) == public
    numbers = load_pem_public_key(public).public_numbers()  # type: ignore[union-attr]
    assert (int.from_bytes(key.x), int.from_bytes(key.y)) == (numbers.x, numbers.y)  # type: ignore[union-attr]


def test_other_encodings_are_read_through_the_library() -> None:
    private = private_key("some")
    for form, protection in (
        (PrivateFormat.TraditionalOpenSSL, NoEncryption()),
        (PrivateFormat.PKCS8, BestAvailableEncryption(b"pass")),
    ):
        pem = private.private_bytes(Encoding.PEM, form, protection)
        assert scalar(load_private(pem, "x", lambda: b"pass")) == scalar(private)
    compressed = private.public_key().public_bytes(Encoding.X962, PublicFormat.CompressedPoint)
    der = bytes.fromhex("3039301306072a8648ce3d020106082a8648ce3d030107032200") + compressed
    pem = b"-----BEGIN PUBLIC KEY-----\n" + base64.b64encode(der) + b"\n-----END PUBLIC KEY-----\n"
    assert load_public(pem, "x") == public_key("some")


@pytest.mark.parametrize("phrase", [None, b"pass phrase"])
def test_written_files_open_with_the_library(phrase: bytes | None) -> None:
    pem = encode_private(private_key("some"), phrase)
    opened = load_pem_private_key(pem, phrase)
    assert isinstance(opened, ec.EllipticCurvePrivateKey)
    assert scalar(opened) == scalar(private_key("some"))
    assert (b"ENCRYPTED" in pem) == (phrase is not None)


def damaged(pem: bytes, offset: int) -> bytes:
    lines = pem.split(b"\n")
    der = bytearray(base64.b64decode(b"".join(lines[1:-2])))
    der[offset] ^= 1
    return lines[0] + b"\n" + base64.b64encode(der) + b"\n" + lines[-2] + b"\n"


def test_damaged_files() -> None:
    pem = encode_private(private_key("some"), None)
    for offset in (40, 67, 80, 137):
        with pytest.raises(SigningKeyError, match="does not belong"):
            load_private(damaged(pem, offset), "x", nobody)
    with pytest.raises(SigningKeyError, match="not a readable private key"):
        load_private(damaged(pem, 10), "x", nobody)
    with pytest.raises(SigningKeyError, match="does not lie on P-256"):
        load_public(damaged(encode_public(public_key("some")), 60), "x")
    with pytest.raises(SigningKeyError, match="a public key stands"):
        load_private(encode_public(public_key("some")), "x", nobody)


def test_no_message_quotes_the_key() -> None:
    pem = encode_private(private_key("some"), None)
    body = pem.split(b"\n")[1].decode()
    told = []
    for load in (lambda data: load_private(data, "x", nobody), lambda data: load_public(data, "x")):
        for data in (pem.replace(b"PRIVATE", b"PRIVAT"), pem[:-40], damaged(pem, 40)):
            with pytest.raises(SigningKeyError) as caught:
                load(data)
            told.append(str(caught.value))
    assert len(told) == 6
    assert not any(body[:20] in text for text in told)


def test_faulty_signers_are_found_out() -> None:
    """A signer that returns something else: nothing is made of it."""

    class Faulty(FileSigner):
        def sign(self, message: bytes) -> bytes:
            return super().sign(message + b"!")

    good = FileSigner(private_key("some"), "some.pem")
    assert len(sign_and_verify(good, b"message")) == 64
    with pytest.raises(SigningKeyError, match="does not verify"):
        sign_and_verify(Faulty(private_key("some"), "some.pem"), b"message")
    assert "some.pem" in repr(good)
