"""Signers whose private key is not here: one that cannot sign yet, and one that has signed already."""

import hashlib
from collections.abc import Mapping

from imgseal.errors import Place, SigningKeyError
from imgseal.keys.public_key import AnyKey
from imgseal.records import NamedTuple


class LaterSigner(NamedTuple):
    """A key held elsewhere, of which only the public half is here."""

    public: AnyKey
    name: str

    def sign(self, message: bytes) -> bytes:
        """SigningKeyError: nothing can be signed here."""
        del message
        raise SigningKeyError(
            "the private half of this key is held elsewhere",
            place=Place(file=self.name),
            found="a public key",
            hint="imgseal build --sign-later asks its holder for the signature",
        )


class SuppliedSigner:
    """A key held elsewhere that has signed: its signatures by the SHA-256 of what they are for."""

    __slots__ = ("_used", "_values", "name", "public")

    def __init__(self, public: AnyKey, name: str, values: Mapping[bytes, bytes]) -> None:
        self.public = public
        self.name = name
        self._values = values
        self._used: set[bytes] = set()

    @property
    def left(self) -> tuple[bytes, ...]:
        """SHA-256 of what was signed elsewhere and has not been asked for here."""
        return tuple(digest for digest in self._values if digest not in self._used)

    def sign(self, message: bytes) -> bytes:
        """Return the signature that was supplied for exactly these bytes; SigningKeyError where there is none."""
        digest = hashlib.sha256(message).digest()
        if digest not in self._values:
            raise SigningKeyError(
                "what is made here now is not what the key has signed",
                place=Place(file=self.name),
                expected="SHA-256 " + (" or ".join(value.hex() for value in self._values) or "of nothing at all"),
                found=f"SHA-256 {digest.hex()}",
                hint="finish with the firmware, product file and imgseal version of the request, or ask again",
            )
        self._used.add(digest)
        return self._values[digest]
