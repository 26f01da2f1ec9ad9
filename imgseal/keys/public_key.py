"""Public keys of every kind, and one way to verify with any of them."""

from typing import TYPE_CHECKING

from imgseal.formats.cose.labels import ES256, ESP256, ML_DSA_44
from imgseal.keys import p256
from imgseal.keys.p256 import PublicKey
from imgseal.product import algorithms

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.asymmetric.mldsa import MLDSA44PrivateKey

    from imgseal.keys.mldsa44 import MlDsa44Key

    AnyKey = PublicKey | MlDsa44Key
    AnyPrivateKey = EllipticCurvePrivateKey | MLDSA44PrivateKey
else:
    AnyKey = AnyPrivateKey = object  # the other kind costs nothing until there is such a key

KINDS = {ESP256: algorithms.P256, ES256: algorithms.P256, ML_DSA_44: algorithms.ML_DSA_44}
"""COSE algorithm number -> the kind of key that verifies it, whatever key a message comes with."""

SEALED_NUMBERS = {algorithms.P256: ESP256, algorithms.ML_DSA_44: ML_DSA_44}
"""Kind -> COSE algorithm number on sealed images."""


def verify(key: AnyKey, message: bytes, signature: bytes) -> None:
    """Check a signature with the algorithm that the key is for; BadSignatureError when it does not hold."""
    if isinstance(key, PublicKey):
        p256.verify(key, message, signature)
        return
    from imgseal.keys.mldsa44 import verify as verify_ml_dsa  # noqa: PLC0415 - only where there is such a key

    verify_ml_dsa(key, message, signature)
