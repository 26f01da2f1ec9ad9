"""Signers: something that has a public key and signs bytes. A file key today; the protocol is all that makers see."""

from typing import Protocol

from cryptography.hazmat.primitives.asymmetric import ec

from imgseal.keys.p256 import PublicKey, public_from_point, sign

__all__ = ["FileSigner", "Signer"]


class Signer(Protocol):
    """What a maker needs in order to sign; raises KeyTroubleError when the key cannot be used."""

    @property
    def public(self) -> PublicKey:
        """The public key that verifies what `sign` returns."""

    @property
    def name(self) -> str:
        """Where the key came from, for messages; never secret."""

    def sign(self, message: bytes) -> bytes:
        """Return the 64-byte signature (r then s) over SHA-256 of the message."""


class FileSigner:
    """A private key held in memory, read from a PEM file."""

    __slots__ = ("_private", "name", "public")

    def __init__(self, private: ec.EllipticCurvePrivateKey, name: str) -> None:
        numbers = private.public_key().public_numbers()
        self._private = private
        self.public = public_from_point(b"\x04" + numbers.x.to_bytes(32) + numbers.y.to_bytes(32))
        self.name = name

    def __repr__(self) -> str:
        return f"FileSigner({self.name!r})"

    def sign(self, message: bytes) -> bytes:
        """Sign with the deterministic nonce of RFC 6979."""
        return sign(self._private, message)
