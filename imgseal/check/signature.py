"""Signatures of sealed images: every signature by a trusted key holds, over the exact statement bytes."""

from collections.abc import Iterator

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.public_key import verify


def statement(subject: ImageSubject, _context: Context) -> Iterator[Finding]:
    """Verify each candidate's signature (FIPS 186-5 section 6.4.2, FIPS 204 algorithm 3).

    One that fails is never outvoted by another, also not where its algorithm need not be there.
    """
    block = subject.block
    offsets = [STATEMENT_BYTES]
    for value in block.signatures:
        offsets.append(offsets[-1] + len(value))
    for index, anchor in subject.candidates:
        try:
            verify(anchor.public, block.statement_bytes, block.signatures[index])
        except BadSignatureError as error:
            yield Finding(
                "signature.malformed" if error.malformed else "signature.does-not-verify",
                str(error) if error.malformed else "the header was changed, or another key has signed it",
                Place(key=f"signature {index}", offset=offsets[index]),
                expected=f"a signature by {anchor.source} over the {STATEMENT_BYTES} bytes of the statement",
                hint="seal the image again; if it came from elsewhere, do not use it",
            )
    return
