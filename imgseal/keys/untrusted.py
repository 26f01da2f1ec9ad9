"""Signers that nobody should trust, to show that nobody does."""

from cryptography.hazmat.primitives.asymmetric import ec

from imgseal.keys.signer import FileSigner, Signer


def published_signer() -> Signer:
    """Return a signer with the key of RFC 6979 appendix A.2.5, which everyone has; to show that it is refused."""
    scalar = 0xC9AFA9D845BA75166B5C215767B1D6934E50C3DB36E89B127B8A622B120F6721
    return FileSigner(ec.derive_private_key(scalar, ec.SECP256R1()), "RFC 6979 appendix A.2.5")


def fresh_signer() -> Signer:
    """Return a signer with a key that nobody has seen, for signatures that nobody trusts."""
    return FileSigner(ec.generate_private_key(ec.SECP256R1()), "a foreign key")
