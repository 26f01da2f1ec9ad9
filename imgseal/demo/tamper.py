"""Spoils artefacts on purpose, one fault each, to show what the judge says."""

from collections.abc import Callable

from imgseal.formats.cbor.strict import bstr_head, encode
from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement
from imgseal.formats.sealed_image.layout import field
from imgseal.formats.sealed_image.statement import SignatureSlot, Statement
from imgseal.keys.signer import Signer


def flip_bit(data: bytes, offset: int) -> bytes:
    """Return the bytes with the lowest bit of one byte changed."""
    changed = bytearray(data)
    changed[offset] ^= 1
    return bytes(changed)


def reseal(
    sealed: bytes, signer: Signer, change: Callable[[Statement], Statement] = lambda s: s, payload: bytes | None = None
) -> bytes:
    """Return a sealed image with a changed statement, signed anew: what somebody with that key could make."""
    statement = decode_header_block(sealed).statement
    body = sealed[statement.header_block :] if payload is None else payload
    statement = change(statement._replace(signatures=(SignatureSlot(-9, signer.public.key_id, 64),)))
    return encode_header_block(statement, (signer.sign(encode_statement(statement)),)) + body


def add_member(envelope: bytes, key: str, payload: bytes) -> bytes:
    """Return an envelope with one more integrated payload, which nothing signed refers to."""
    head = envelope[2]
    return envelope[:2] + bytes([head + 1]) + envelope[3:] + encode(key) + bstr_head(len(payload)) + payload


def counter_offset() -> int:
    """Return where the anti-rollback counter stands in a sealed image."""
    return field("counter").offset
