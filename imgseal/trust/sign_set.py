"""Signs a trust anchor set."""

from imgseal.errors import Place, SigningKeyError
from imgseal.formats.trust_anchors.codec import AnchorSet, encode_set, encode_update
from imgseal.keys.p256 import PublicKey
from imgseal.keys.published import refuse_published
from imgseal.keys.signer import Signer, sign_and_verify


def trust_update(anchors: AnchorSet, signer: Signer) -> bytes:
    """Return the update: the set, the signer's point, and the signature over both; docs/format/trust-anchors.md.

    SigningKeyError for a key that is not P-256, or whose private half is public.
    """
    if not isinstance(signer.public, PublicKey):
        raise SigningKeyError(
            "trust anchor sets are signed with P-256",
            place=Place(file=signer.name),
            expected="a key for ESP256",
            found=f"a key for {signer.public.words}",
            hint="sign with the key of trust.apex",
        )
    refuse_published(signer.public, signer.name)
    signed = encode_set(anchors) + signer.public.x + signer.public.y
    return encode_update(signed, sign_and_verify(signer, signed))
