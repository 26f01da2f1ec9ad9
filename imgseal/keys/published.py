"""Keys that everyone knows: printed in standards, or kept in keys-example/. Their private halves are public.

Coordinates as x then y, in hex. docs/vectors.md tells where each comes from; a test derives each point again from the
printed scalar where there is one. Of ML-DSA-44 keys the seed is printed, and the key follows from it.
"""

from imgseal.errors import Place, SigningKeyError
from imgseal.keys.p256 import PublicKey
from imgseal.keys.public_key import AnyKey
from imgseal.product.algorithms import P256

_POINTS = (
    (
        "RFC 6979 appendix A.2.5",
        "60fed4ba255a9d31c961eb74c6356d68c049b8923b61fa6ce669622e60f29fb67903fe1008b8bc99a41ae9e95628bc64f2f1b20c2d7e9f5177a3c294d4462299",
    ),
    (
        "SUIT manifest draft appendix B",
        "8496811aae0baaabd26157189eecda26beaa8bf11b6f3fe6e2b5659c85dbc0ad3b1f2a4b6c098131c0a36dacd1d78bd381dcdfb09c052db33991db7338b4a896",
    ),
    (
        "SUIT firmware-encryption draft, ES-DH example with dependency",
        "0e908aa8f066db1f084e0c3652c63952bd99f2a5bdb22f9e01367aad03aba68b77da1bd8ac4f0cb490ba210648bf79ab164d49ad3551d71d314b2749ee42d29a",
    ),
    (
        "SUIT firmware-encryption draft, recipient kid-2",
        "5886cd61dd875862e5aaa820e7a15274c968a9bc96048ddcace32f50c3651ba39eed8125e932cd60c0ead3650d0a485cf726d378d1b016ed4298b2961e258f1b",
    ),
    (
        'COSE examples key "11"',
        "bac5b11cad8f99f9c72b05cf4b9e26d244dc189f745228255a219a86d6a09eff20138bf82dc1b6d562be0fa54ab7804a3a64b6d72ccfed6b6fb6ed28bbfc117e",
    ),
    (
        "COSE examples key meriadoc",
        "65eda5a12577c2bae829437fe338701a10aaa375e1bb5b5de108de439c08551d1e52ed75701163f7f9e40ddf9f341b3dc9ba860af7e0ca7ca7e9eecd0084d19c",
    ),
    (
        "RFC 7515 appendix A.3",
        "7fcdce2770f6c45d4183cbee6fdb4b7b580733357be9ef13bacf6e3c7bd15445c7f144cd1bbd9b7e872cdfedb9eeb9f4b3695d6ea90b24ad8a4623288588e5ad",
    ),
    (
        "RFC 7517 appendix A.2",
        "30a0424cd21c2944838a2d75c92b37e76ea20d9f00893a3b4eee8a3c0aafec3ee04b65e92456d9888b52b379bdfbd51ee869ef1f0fc65b6659695b6cce081723",
    ),
    (
        "RFC 9421 appendix B.1.3",
        "a885586552c2acf6471878cfd7b0935b4ffe0fd2dfc341248ea17bc41e058af031ce2737d2d30ce0617e851e83c61ef5679d151867657649035d90a74cd9e85d",
    ),
    (
        "NIST ECDSA P-256 worked example",
        "b7e08afdfe94bad3f1dc8c734798ba1c62b3a0ad1e9ea2a38201cd0889bc7a193603f747959dbf7a4bb226e41928729063adc7ae43529e61b563bbc606cc5e09",
    ),
    (
        "RFC 5903 section 8.1, initiator",
        "dad0b65394221cf9b051e1feca5787d098dfe637fc90b9ef945d0c37725811805271a0461cdb8252d61f1c456fa3e59ab1f45b33accf5f58389e0577b8990bb3",
    ),
    (
        "RFC 5903 section 8.1, responder",
        "d12dfb5289c8d4f81208b70270398c342296970a0bccb74c736fc7554494bf6356fbf3ca366cc23e8157854c13c58d6aac23f046ada30f8353e74f33039872ab",
    ),
    (
        "scalar 1",
        "6b17d1f2e12c4247f8bce6e563a440f277037d812deb33a0f4a13945d898c2964fe342e2fe1a7f9b8ee7eb4a7c0f9e162bce33576b315ececbb6406837bf51f5",
    ),
    (
        "scalar 2",
        "7cf27b188d034f7e8a52380304b51ac3c08969e277f21b35a60b48fc4766997807775510db8ed040293d9ac69f7430dbba7dade63ce982299e04b79d227873d1",
    ),
    (
        "scalar 3",
        "5ecbe4d1a6330a44c8f7ef951d4bf165e6c6b721efada985fb41661bc6e7fd6c8734640c4998ff7e374b06ce1a64a2ecd82ab036384fb83d9a79b127a27d5032",
    ),
    (
        "keys-example/images.pem",
        "42e1e09a29340644822f745f7d766852245045bd068a599aefb4a6e9dac2911cf1e703c3b3e84f808315c8d792caa6e91d3b19571a3c562a68b2d230e6cb4511",
    ),
    (
        "keys-example/packages.pem",
        "9ab25080b7b45953b049932cd63a250a8efc2244a3428d8f4037eb634cb4ff8eb4a85ee4bfb280d5aa6a36185ddfa6ab09c247c7ab3e5fd8e33106a01510f97c",
    ),
)

_SEEDS = (
    ("RFC 9964 examples, seed of zeros", bytes(32)),
    ("RFC 9881 examples, seed of counting bytes", bytes(range(32))),  # from memory
    ("the vectors of Python's cryptography, seed of 42s", b"\x2a" * 32),
    ("seed of ones", b"\xff" * 32),
)

_ORIGINS = {text: origin for origin, text in _POINTS}


def origin_of(key: AnyKey) -> str | None:
    """Say where a key's private half is printed; None for a key that is not known to be public."""
    if isinstance(key, PublicKey):
        return _ORIGINS.get(key.x.hex() + key.y.hex())
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
        points = {text: (bytes.fromhex(text[:64]), bytes.fromhex(text[64:])) for text in _ORIGINS}
        return {PublicKey(*points[text]): origin for text, origin in _ORIGINS.items()}
    from imgseal.keys.mldsa44 import MlDsa44Signer, from_seed  # noqa: PLC0415 - only where there is such a key

    return {MlDsa44Signer(from_seed(seed), origin).public: origin for origin, seed in _SEEDS}
