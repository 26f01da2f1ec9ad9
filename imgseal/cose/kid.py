"""COSE key thumbprints, RFC 9679."""

import hashlib

__all__ = ["thumbprint"]

# deterministic {1: 2 (EC2), -1: 1 (P-256), -2: x, -3: y}, section 4; the encoding of the four required members is fixed
_HEAD, _Y = bytes.fromhex("a401022001215820"), bytes.fromhex("225820")


def thumbprint(x: bytes, y: bytes) -> bytes:
    """Return the SHA-256 thumbprint, 32 bytes, of a P-256 key with coordinates of 32 bytes each."""
    return hashlib.sha256(_HEAD + x + _Y + y).digest()
