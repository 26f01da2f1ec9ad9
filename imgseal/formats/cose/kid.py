"""COSE key thumbprints, RFC 9679."""

import hashlib

# deterministic {1: 2 (EC2), -1: 1 (P-256), -2: x, -3: y}, section 4; the encoding of the four required members is fixed
_HEAD, _Y = bytes.fromhex("a401022001215820"), bytes.fromhex("225820")

# deterministic {1: 7 (AKP), 3: -48 (ML-DSA-44), -1: public key}; kty, alg and pub count, RFC 9964 section 6
_AKP_HEAD = bytes.fromhex("a3010703382f20590520")


def thumbprint(x: bytes, y: bytes) -> bytes:
    """Return the SHA-256 thumbprint, 32 bytes, of a P-256 key with coordinates of 32 bytes each."""
    return hashlib.sha256(_HEAD + x + _Y + y).digest()


def akp_thumbprint(public: bytes) -> bytes:
    """Return the SHA-256 thumbprint, 32 bytes, of an ML-DSA-44 public key of 1,312 bytes; key type of RFC 9964."""
    return hashlib.sha256(_AKP_HEAD + public).digest()
