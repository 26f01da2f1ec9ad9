"""ML-DSA-44 keys of the tests: another library signs with them, without fresh randomness, so that test data stays the same.

dilithium-py is pure Python, made for learning, and only ever used here.
"""

import functools
import hashlib

from imgseal.keys.mldsa44 import MlDsa44Key


@functools.cache
def key_pair(seed: bytes) -> tuple[bytes, bytes]:
    """Public and expanded private key of a seed; FIPS 204 algorithm 6."""
    from dilithium_py.ml_dsa import ML_DSA_44

    public, private = ML_DSA_44.key_derive(seed)
    return public, private


def seed_of(name: str) -> bytes:
    """A key that follows from its name."""
    return hashlib.sha256(name.encode()).digest()


class SecondLibrarySigner:
    """A signer that follows from its name and gives the same value for the same message; FIPS 204 section 3.4, deterministic."""

    def __init__(self, name: str) -> None:
        self.name = f"{name}.pem"
        self._public, self._private = key_pair(seed_of(name))

    @property
    def public(self) -> MlDsa44Key:
        return MlDsa44Key(self._public)

    def sign(self, message: bytes) -> bytes:
        return _sign(self._private, message)


@functools.cache
def _sign(private: bytes, message: bytes) -> bytes:
    from dilithium_py.ml_dsa import ML_DSA_44

    signature: bytes = ML_DSA_44.sign(private, message, deterministic=True)
    return signature


def holds(public: bytes, message: bytes, signature: bytes) -> bool:
    """What the second library says of a signature."""
    from dilithium_py.ml_dsa import ML_DSA_44

    return bool(ML_DSA_44.verify(public, message, signature))
