"""What must not be found in firmware, byte for byte: secrets of the signing keys at hand, and published ones."""

from imgseal.keys.hidden import Hidden
from imgseal.keys.published_scalars import SCALARS
from imgseal.keys.signer import FileSigner, Signer
from imgseal.product.algorithms import ML_DSA_44
from imgseal.records import NamedTuple

NEEDLE_BYTES = 32
_ORDERS = (("big-endian", 1), ("little-endian", -1))


class Needle(NamedTuple):
    """A secret of 32 bytes; `whose` and `form` say in words what it is. `published` where everyone has it."""

    whose: str
    form: str
    published: bool
    value: Hidden


def signer_needles(signers: tuple[Signer, ...]) -> tuple[Needle, ...]:
    """Return the secrets of the signers that are held in memory: scalars in both byte orders, seeds of ML-DSA.

    A key in a token shows no secret, so there is nothing to look for.
    """
    needles = []
    for signer in signers:
        if isinstance(signer, FileSigner):
            scalar = signer.scalar()
            needles += [Needle(signer.name, f"scalar, {word}", False, Hidden(scalar[::step])) for word, step in _ORDERS]
        elif signer.public.kind == ML_DSA_44:
            from imgseal.keys.mldsa44 import MlDsa44Signer  # noqa: PLC0415 - only where there is such a key

            if isinstance(signer, MlDsa44Signer):
                needles.append(Needle(signer.name, "seed", False, signer.seed()))
    return tuple(needles)


def published_needles() -> tuple[Needle, ...]:
    """Return the scalars of published keys in both byte orders."""
    needles = []
    for origin, text in SCALARS:
        scalar = bytes.fromhex(text)
        needles += [Needle(origin, f"scalar, {word}", True, Hidden(scalar[::step])) for word, step in _ORDERS]
    return tuple(needles)
