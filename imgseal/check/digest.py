"""The payload is the one that was signed."""

import hashlib

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.sealed_image.layout import field
from imgseal.limits import CHUNK


def payload(subject: ImageSubject, _context: Context) -> list[Finding]:
    """SHA-256 of exactly the announced bytes equals the signed digest; FIPS 180-4."""
    statement = subject.statement
    state = hashlib.sha256()
    for offset in range(0, statement.payload_size, CHUNK):
        state.update(subject.read_payload(offset, CHUNK))
    if state.digest() == statement.payload_digest:
        return []
    return [
        Finding(
            "digest.payload",
            "the payload is not the one that was signed",
            Place(key="payload_digest", offset=field("payload_digest").offset),
            expected=statement.payload_digest.hex(),
            found=state.hexdigest(),
            hint="the file was changed or damaged after sealing: build it again, or copy it again",
        )
    ]
