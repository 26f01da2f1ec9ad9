"""Adds a signature to a package that is signed already: one authentication block more, and no other byte changed."""

from collections.abc import Iterator

from imgseal.errors import Place, SigningKeyError, UsageError
from imgseal.formats.cose.sign1 import read_block, to_be_signed
from imgseal.formats.suit.envelope import decode_envelope, with_block
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.public_key import KINDS, verify
from imgseal.keys.signer import Signer
from imgseal.keys.trusted_keys import PACKAGES, Trust
from imgseal.make.pack import authentication_block
from imgseal.make.seal import ordered_signers
from imgseal.product.model import Product


def add_signature(
    data: memoryview, signer: Signer, product: Product, trust: Trust, name: str
) -> Iterator[bytes | memoryview]:
    """Yield the package with the signer's block behind those it has.

    SigningKeyError for a key that the product file does not know for packages; UsageError where it has signed already.
    """
    (signer,) = ordered_signers((signer,), product, development=False)
    anchors = trust.anchors(PACKAGES, development=False)
    if all(anchor.public != signer.public for anchor in (*anchors, *trust.uncounted)):
        raise SigningKeyError(
            "devices would not count this key",
            place=Place(file=signer.name),
            expected=" or ".join(anchor.source for anchor in anchors) + " ([trust.packages])",
            found=signer.public.key_id.hex(),
            hint="sign with a key of [trust.packages], or add this one there first",
        )
    envelope = decode_envelope(data)
    if any(_is_by(signer, block, envelope.digest_bytes) for block in envelope.blocks):
        raise UsageError(
            "this key has signed the package already",
            place=Place(file=name),
            found=f"a signature by {signer.name}",
            hint="each key counts once: sign with another one",
        )
    return with_block(data, authentication_block(signer, envelope.digest_bytes, product))


def _is_by(signer: Signer, encoded: bytes, digest_bytes: bytes) -> bool:
    block = read_block(encoded)
    if block.algorithm is None or KINDS.get(block.algorithm) != signer.public.kind:
        return False
    try:
        verify(signer.public, to_be_signed(block.protected, digest_bytes), block.signature)
    except BadSignatureError:
        return False
    return True
