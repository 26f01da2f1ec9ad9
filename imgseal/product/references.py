"""Key references: a file, or a key inside a PKCS#11 token. Told apart without loading the reader of URIs."""

SCHEME = "pkcs11:"


def is_token_uri(text: str) -> bool:
    """Say whether a key reference is meant as a PKCS#11 URI; the scheme's case does not matter (RFC 3986 3.1)."""
    return text[: len(SCHEME)].lower() == SCHEME
