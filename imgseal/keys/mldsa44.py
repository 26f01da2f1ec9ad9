"""ML-DSA-44 keys and signatures (FIPS 204): pure, with the empty context, as RFC 9964 has them in COSE.

Loaded only where such a key is there. Signing is hedged: the library draws fresh randomness for each signature (FIPS
204 section 3.4), so that signing twice gives two values; both verify.
"""

from typing import TYPE_CHECKING

from imgseal.formats.cose.kid import akp_thumbprint
from imgseal.formats.sealed_image.layout import KEY_ID_BYTES
from imgseal.keys.hidden import Hidden
from imgseal.keys.p256 import BadSignatureError
from imgseal.product.algorithms import ML_DSA_44, SIGNATURE_BYTES
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.mldsa import MLDSA44PrivateKey

PUBLIC_BYTES, SEED_BYTES = 1312, 32


class MlDsa44Key(NamedTuple):
    """An ML-DSA-44 public key as FIPS 204 encodes it, 1,312 bytes; every value of that length is one."""

    value: bytes

    @property
    def kind(self) -> str:
        """The kind of key, as the product's rules count them."""
        return ML_DSA_44

    @property
    def words(self) -> str:
        """What people call it."""
        return "ML-DSA-44"

    @property
    def thumbprint(self) -> bytes:
        """SHA-256 COSE key thumbprint, 32 bytes; RFC 9679."""
        return akp_thumbprint(self.value)

    @property
    def key_id(self) -> bytes:
        """The leading 16 bytes of the thumbprint, as sealed images carry them."""
        return self.thumbprint[:KEY_ID_BYTES]


class MlDsa44Signer:
    """A private key held in memory, read from a PEM file."""

    __slots__ = ("_private", "name", "public")

    def __init__(self, private: "MLDSA44PrivateKey", name: str) -> None:
        self._private = private
        self.public = MlDsa44Key(private.public_key().public_bytes_raw())
        self.name = name

    def __repr__(self) -> str:
        return f"MlDsa44Signer({self.name!r})"

    def seed(self) -> Hidden:
        """Return the seed, 32 bytes; to find it where it must not be."""
        return Hidden(self._private.private_bytes_raw())

    def sign(self, message: bytes) -> bytes:
        """Return the 2,420-byte signature; another one each time."""
        return self._private.sign(message)


def from_seed(seed: bytes) -> "MLDSA44PrivateKey":
    """Return the key of a seed of 32 bytes; FIPS 204 algorithm 6."""
    from cryptography.hazmat.primitives.asymmetric.mldsa import MLDSA44PrivateKey  # noqa: PLC0415 - on use

    return MLDSA44PrivateKey.from_seed_bytes(seed)


def verify(key: MlDsa44Key, message: bytes, signature: bytes) -> None:
    """Check a signature; BadSignatureError when it does not hold, `malformed` when it has another length than all."""
    from cryptography.exceptions import InvalidSignature  # noqa: PLC0415 - on use
    from cryptography.hazmat.primitives.asymmetric.mldsa import MLDSA44PublicKey  # noqa: PLC0415 - on use

    wanted = SIGNATURE_BYTES[ML_DSA_44]
    if len(signature) != wanted:
        raise BadSignatureError(f"a signature of {len(signature)} bytes instead of {wanted}", malformed=True)
    try:
        MLDSA44PublicKey.from_public_bytes(key.value).verify(signature, message)
    except InvalidSignature:
        raise BadSignatureError("the signature does not verify", malformed=False) from None
