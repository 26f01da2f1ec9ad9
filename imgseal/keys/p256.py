"""P-256 public keys, and ECDSA signatures in COSE's form: raw r then s, 32 bytes each (RFC 9053 section 2.1).

Verification raises; it never returns a truth value that a caller could ignore.
"""

from functools import lru_cache

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature, encode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA256

from imgseal.formats.cose.kid import thumbprint
from imgseal.formats.sealed_image.layout import KEY_ID_BYTES
from imgseal.product.algorithms import P256
from imgseal.records import NamedTuple

ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551
"""Order n of the group; SP 800-186 section 3.2.1.3."""

_SIZE = 32


class BadSignatureError(Exception):
    """The value is no signature of that key over that message; `malformed` says it could be none of any key."""

    def __init__(self, message: str, *, malformed: bool) -> None:
        super().__init__(message)
        self.malformed = malformed


class PublicKey(NamedTuple):
    """A point on P-256; `x` and `y` are 32 bytes each, big-endian."""

    x: bytes
    y: bytes

    @property
    def kind(self) -> str:
        """The kind of key, as the product's rules count them."""
        return P256

    @property
    def words(self) -> str:
        """What people call it."""
        return "ECDSA on P-256"

    @property
    def thumbprint(self) -> bytes:
        """SHA-256 COSE key thumbprint, 32 bytes; RFC 9679."""
        return thumbprint(self.x, self.y)

    @property
    def key_id(self) -> bytes:
        """The leading 16 bytes of the thumbprint, as sealed images carry them."""
        return self.thumbprint[:KEY_ID_BYTES]


def public_from_point(point: bytes) -> PublicKey:
    """Take an uncompressed point (0x04, x, y); ValueError when it is not one or does not lie on the curve."""
    if len(point) != 1 + 2 * _SIZE or point[0] != 4:
        raise ValueError("not an uncompressed P-256 point of 65 bytes")
    ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)
    return PublicKey(point[1 : 1 + _SIZE], point[1 + _SIZE :])


def public_of(key: ec.EllipticCurvePublicKey) -> PublicKey:
    """Return the point of a key that the library holds."""
    numbers = key.public_numbers()
    return PublicKey(numbers.x.to_bytes(_SIZE), numbers.y.to_bytes(_SIZE))


def split(signature: bytes) -> tuple[int, int]:
    """Return r and s; BadSignatureError unless there are 64 bytes with both numbers in 1..n-1."""
    if len(signature) != 2 * _SIZE:
        raise BadSignatureError(f"a signature of {len(signature)} bytes instead of 64", malformed=True)
    r, s = int.from_bytes(signature[:_SIZE]), int.from_bytes(signature[_SIZE:])
    for name, value in (("r", r), ("s", s)):
        if not 0 < value < ORDER:
            raise BadSignatureError(f"{name} is not in 1..n-1", malformed=True)
    return r, s


@lru_cache(maxsize=64)
def _loaded(x: bytes, y: bytes) -> ec.EllipticCurvePublicKey:
    """Return the library's form of a point: checking that it lies on the curve takes a fifth of a verification."""
    return ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), b"\x04" + x + y)


def verify(key: PublicKey, message: bytes, signature: bytes) -> None:
    """Check an ECDSA signature with SHA-256; BadSignatureError when it does not hold. Both halves of s are accepted."""
    encoded = encode_dss_signature(*split(signature))
    try:
        _loaded(key.x, key.y).verify(encoded, message, ec.ECDSA(SHA256()))
    except InvalidSignature:
        raise BadSignatureError("the signature does not verify", malformed=False) from None


def sign(private: ec.EllipticCurvePrivateKey, message: bytes) -> bytes:
    """Sign with SHA-256 and the deterministic nonce of RFC 6979; returns 64 bytes, r then s."""
    encoded = private.sign(message, ec.ECDSA(SHA256(), deterministic_signing=True))
    r, s = decode_dss_signature(encoded)
    return r.to_bytes(_SIZE) + s.to_bytes(_SIZE)
