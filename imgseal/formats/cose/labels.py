"""Registered COSE numbers: RFC 9052, 9053, 9054, 9864, 9964."""

ALG, CRIT, CONTENT_TYPE, KID = 1, 2, 3, 4
ES256, ESP256, ML_DSA_44, SHA256 = -7, -9, -48, -16

ALGORITHMS = {
    -7: "ES256",
    -8: "EdDSA",
    -9: "ESP256",
    -19: "Ed25519",
    -35: "ES384",
    -36: "ES512",
    -46: "HSS-LMS",
    -48: "ML-DSA-44",
    -49: "ML-DSA-65",
    -50: "ML-DSA-87",
    -51: "ESP384",
    -52: "ESP512",
    5: "HMAC 256/256",
}
"""Signature and MAC algorithms, for messages."""

STRUCTURES = {
    16: "COSE_Encrypt0",
    17: "COSE_Mac0",
    18: "COSE_Sign1",
    96: "COSE_Encrypt",
    97: "COSE_Mac",
    98: "COSE_Sign",
}
"""CBOR tag -> structure; RFC 9052 section 2."""
