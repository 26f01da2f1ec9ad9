"""Signature algorithms by the names that the product file uses, and the kind of key that each is for."""

P256, ML_DSA_44 = "P-256", "ML-DSA-44"
"""Kinds of keys."""

ALGORITHMS = {"ESP256": P256, "ES256": P256, "ML-DSA-44": ML_DSA_44}
"""Name -> kind. ES256 and ESP256 are one computation under two COSE numbers (RFC 9053 section 2.1, RFC 9864)."""

UNVERIFIED = (
    "EdDSA", "Ed25519", "ES384", "ES512", "HSS-LMS", "ML-DSA-65", "ML-DSA-87", "ESP384", "ESP512",
)  # fmt: skip
"""COSE's names of the other signature algorithms; nothing here verifies them. A test holds cose/labels.py to it."""

KEY_NAMES = {P256: "ESP256", ML_DSA_44: "ML-DSA-44"}
"""Kind -> the algorithm that keys of it are made for and that sealed images carry."""

SIGNATURE_BYTES = {P256: 64, ML_DSA_44: 2420}
"""Kind -> bytes of a signature value; RFC 9053 section 2.1, RFC 9964."""
