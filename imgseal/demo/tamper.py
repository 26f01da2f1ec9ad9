"""Spoils artefacts on purpose, one fault each, to show what the judge says."""

from typing import Any

from imgseal.formats.cbor.strict import bstr_head, encode
from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement
from imgseal.formats.sealed_image.statement import SignatureSlot
from imgseal.keys.signer import Signer


def flip_bit(data: bytes, offset: int) -> bytes:
    """Return the bytes with the lowest bit of one byte changed."""
    changed = bytearray(data)
    changed[offset] ^= 1
    return bytes(changed)


def reseal(sealed: bytes, signer: Signer, payload: bytes | None = None, **changed: Any) -> bytes:
    """Return a sealed image with fields of its statement changed, signed anew: what who has that key could make."""
    statement = decode_header_block(sealed).statement
    body = sealed[statement.header_block :] if payload is None else payload
    signature = SignatureSlot(-9, signer.public.key_id, 64)
    statement = statement._replace(signatures=(signature,), **changed)
    return encode_header_block(statement, (signer.sign(encode_statement(statement)),)) + body


def add_member(envelope: bytes, key: str, payload: bytes) -> bytes:
    """Return an envelope with one more integrated payload, which nothing signed refers to."""
    head = envelope[2]
    return envelope[:2] + bytes([head + 1]) + envelope[3:] + encode(key) + bstr_head(len(payload)) + payload
