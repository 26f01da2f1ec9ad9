"""Keys that everyone knows: printed in standards, or kept in keys-example/. Their private halves are public.

Points in compressed form (SEC 1 section 2.3.3), in hex. docs/vectors.md tells where each comes from; a test derives
each point again from the printed scalar where there is one. Of ML-DSA-44 keys the seed is printed, and the key
follows from it.
"""

from functools import partial

from cryptography.hazmat.primitives.asymmetric import ec

from imgseal.errors import Place, SigningKeyError
from imgseal.keys.p256 import PublicKey, public_of
from imgseal.keys.public_key import AnyKey
from imgseal.product.algorithms import P256

_DRAFT = "SUIT firmware-encryption draft"
_ORIGINS = {
    "0360fed4ba255a9d31c961eb74c6356d68c049b8923b61fa6ce669622e60f29fb6": "RFC 6979 appendix A.2.5",
    "028496811aae0baaabd26157189eecda26beaa8bf11b6f3fe6e2b5659c85dbc0ad": "SUIT manifest draft appendix B",
    "020e908aa8f066db1f084e0c3652c63952bd99f2a5bdb22f9e01367aad03aba68b": f"{_DRAFT}, ES-DH example with dependency",
    "035886cd61dd875862e5aaa820e7a15274c968a9bc96048ddcace32f50c3651ba3": f"{_DRAFT}, recipient kid-2",
    "02bac5b11cad8f99f9c72b05cf4b9e26d244dc189f745228255a219a86d6a09eff": 'COSE examples key "11"',
    "0265eda5a12577c2bae829437fe338701a10aaa375e1bb5b5de108de439c08551d": "COSE examples key meriadoc",
    "037fcdce2770f6c45d4183cbee6fdb4b7b580733357be9ef13bacf6e3c7bd15445": "RFC 7515 appendix A.3",
    "0330a0424cd21c2944838a2d75c92b37e76ea20d9f00893a3b4eee8a3c0aafec3e": "RFC 7517 appendix A.2",
    "03a885586552c2acf6471878cfd7b0935b4ffe0fd2dfc341248ea17bc41e058af0": "RFC 9421 appendix B.1.3",
    "03b7e08afdfe94bad3f1dc8c734798ba1c62b3a0ad1e9ea2a38201cd0889bc7a19": "NIST ECDSA P-256 worked example",
    "03dad0b65394221cf9b051e1feca5787d098dfe637fc90b9ef945d0c3772581180": "RFC 5903 section 8.1, initiator",
    "03d12dfb5289c8d4f81208b70270398c342296970a0bccb74c736fc7554494bf63": "RFC 5903 section 8.1, responder",
    "036b17d1f2e12c4247f8bce6e563a440f277037d812deb33a0f4a13945d898c296": "scalar 1",
    "037cf27b188d034f7e8a52380304b51ac3c08969e277f21b35a60b48fc47669978": "scalar 2",
    "025ecbe4d1a6330a44c8f7ef951d4bf165e6c6b721efada985fb41661bc6e7fd6c": "scalar 3",
    "0342e1e09a29340644822f745f7d766852245045bd068a599aefb4a6e9dac2911c": "keys-example/images.pem",
    "029ab25080b7b45953b049932cd63a250a8efc2244a3428d8f4037eb634cb4ff8e": "keys-example/packages.pem",
}

_SEEDS = (
    ("RFC 9964 examples, seed of zeros", bytes(32)),
    ("RFC 9881 examples, seed of counting bytes", bytes(range(32))),  # from memory
    ("the vectors of Python's cryptography, seed of 42s", b"\x2a" * 32),
    ("seed of ones", b"\xff" * 32),
)


def origin_of(key: AnyKey) -> str | None:
    """Say where a key's private half is printed; None for a key that is not known to be public."""
    if isinstance(key, PublicKey):
        return _ORIGINS.get(f"{2 + key.y[-1] % 2:02x}{key.x.hex()}")
    return published_keys(key.kind).get(key)


def refuse_published(key: AnyKey, name: str) -> None:
    """SigningKeyError for a key whose private half is public; `name` is where it came from."""
    origin = origin_of(key)
    if origin is not None:
        raise SigningKeyError(
            "everyone can sign with this key",
            place=Place(file=name),
            expected="a key whose private half is secret",
            found=f"the key of {origin}",
            hint="make one of your own: imgseal key new FILE",
        )


def published_keys(kind: str = P256) -> dict[AnyKey, str]:
    """Return every key of a kind whose private half is public, and where it is printed."""
    if kind == P256:
        load = partial(ec.EllipticCurvePublicKey.from_encoded_point, ec.SECP256R1())
        return {public_of(load(bytes.fromhex(text))): origin for text, origin in _ORIGINS.items()}
    from imgseal.keys.mldsa44 import MlDsa44Signer, from_seed  # noqa: PLC0415 - only where there is such a key

    return {MlDsa44Signer(from_seed(seed), origin).public: origin for origin, seed in _SEEDS}
