"""A package signed with a key that is printed in a standard."""

from typing import Any

from imgseal.formats.cbor.strict import encode
from imgseal.formats.cose.sign1 import assemble, protected_header, to_be_signed
from imgseal.formats.suit.envelope import decode_envelope, envelope_pieces


def by_published(package: bytes, by: Any) -> bytes:
    envelope = decode_envelope(package)
    digest = encode(envelope.digest.to_value())
    block = assemble(-9, by.sign(to_be_signed(protected_header(-9), digest)))
    payloads = {key: (len(value), iter([bytes(value)])) for key, value in envelope.payloads.items()}
    return b"".join(envelope_pieces(digest, (block,), envelope.manifest, dict(envelope.severed), payloads))
