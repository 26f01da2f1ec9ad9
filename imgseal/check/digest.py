"""The payload is the one that was signed."""

import hashlib

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject, in_statement
from imgseal.findings import Finding
from imgseal.limits import CHUNK


def payload(subject: ImageSubject, _context: Context) -> Finding | None:
    """SHA-256 of exactly the announced bytes equals the signed digest; FIPS 180-4."""
    statement = subject.statement
    state = hashlib.sha256()
    for offset in range(0, statement.payload_size, CHUNK):
        state.update(subject.read_payload(offset, CHUNK))
    if state.digest() == statement.payload_digest:
        return None
    return Finding(
        "digest.payload",
        "the payload is not the one that was signed",
        in_statement("payload_digest"),
        expected=statement.payload_digest.hex(),
        found=state.hexdigest(),
        hint="the file was changed or damaged after sealing: build it again, or copy it again",
    )
