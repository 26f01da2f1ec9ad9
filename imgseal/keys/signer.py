"""Signers: something that has a public key and signs bytes. A file key today; the protocol is all that makers see."""

from typing import Protocol

from cryptography.hazmat.primitives.asymmetric import ec

from imgseal.errors import Place, SigningKeyError
from imgseal.keys.hidden import Hidden
from imgseal.keys.p256 import BadSignatureError, public_of, sign
from imgseal.keys.public_key import AnyKey, AnyPrivateKey, verify


class Signer(Protocol):
    """What a maker needs in order to sign; raises SigningKeyError when the key cannot be used."""

    @property
    def public(self) -> AnyKey:
        """The public key that verifies what `sign` returns."""

    @property
    def name(self) -> str:
        """Where the key came from, for messages; never secret."""

    def sign(self, message: bytes) -> bytes:
        """Return the signature over the message: of a P-256 key r then s, 64 bytes; of an ML-DSA-44 key 2,420 bytes."""


class FileSigner:
    """A private P-256 key held in memory, read from a PEM file."""

    __slots__ = ("_private", "name", "public")

    def __init__(self, private: ec.EllipticCurvePrivateKey, name: str) -> None:
        self._private = private
        self.public = public_of(private.public_key())
        self.name = name

    def __repr__(self) -> str:
        return f"FileSigner({self.name!r})"

    def scalar(self) -> Hidden:
        """Return the private scalar, 32 bytes, big-endian; to find it where it must not be."""
        return Hidden(self._private.private_numbers().private_value.to_bytes(32))

    def sign(self, message: bytes) -> bytes:
        """Sign with the deterministic nonce of RFC 6979."""
        return sign(self._private, message)


def file_signer(private: AnyPrivateKey, name: str) -> Signer:
    """Return the signer of a private key that was read from a file."""
    if isinstance(private, ec.EllipticCurvePrivateKey):
        return FileSigner(private, name)
    from imgseal.keys.mldsa44 import MlDsa44Signer  # noqa: PLC0415 - only where there is such a key

    return MlDsa44Signer(private, name)


def sign_and_verify(signer: Signer, message: bytes) -> bytes:
    """Let a signer sign, and verify what it returns before anybody uses it; SigningKeyError when it does not hold.

    A signer may be faulty hardware, and a faulty deterministic signature can give the key away.
    """
    signature = signer.sign(message)
    try:
        verify(signer.public, message, signature)
    except BadSignatureError as error:
        raise SigningKeyError(
            "the signer returned a signature that does not verify",
            place=Place(file=signer.name),
            found=str(error),
            hint="is the public half that of this key? nothing was written",
        ) from None
    return signature
