"""SUIT_Digest: [algorithm, bytes]; section 10."""

import hashlib

from imgseal.formats.cbor.strict import is_integer
from imgseal.formats.suit.errors import refuse
from imgseal.records import NamedTuple

_LENGTHS = {-16: 32, -18: 32, -43: 48, -44: 64, -45: 64}  # SHA-256, SHAKE128, SHA-384, SHA-512, SHAKE256; RFC 9054


class SuitDigest(NamedTuple):
    """A digest with its COSE algorithm number."""

    algorithm: int
    value: bytes

    @classmethod
    def from_value(cls, value: object, where: str) -> "SuitDigest":
        """Read the array; SuitError when its shape, algorithm or length is wrong."""
        algorithm, digest = value if isinstance(value, list) and len(value) == 2 else (None, None)
        if not is_integer(algorithm) or not isinstance(digest, bytes):
            refuse(where, "this is no digest", "[algorithm, bytes]", value)
        wanted = _LENGTHS.get(algorithm)
        if wanted is None:
            refuse(where, "a digest algorithm that does not exist here", ", ".join(map(str, _LENGTHS)), algorithm)
        if len(digest) != wanted:
            refuse(where, "the digest's length is not its algorithm's", f"{wanted} bytes", f"{len(digest)} bytes")
        return cls(algorithm, digest)

    def to_value(self) -> list[object]:
        """Return the array."""
        return [self.algorithm, self.value]


def sha256_digest(data: bytes | memoryview) -> SuitDigest:
    """Return the SHA-256 digest of some bytes."""
    return SuitDigest(-16, hashlib.sha256(data).digest())
