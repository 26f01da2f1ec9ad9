"""The envelope: authentication wrapper, manifest, severed members, integrated payloads; section 8.2.

Bytes are hashed as they were received and never encoded again for it. Payloads are views of the received bytes.
"""

from collections.abc import Iterator, Mapping
from typing import NoReturn

from imgseal.errors import Place
from imgseal.formats.cbor.strict import BSTR, MAP, TAG, TSTR, CborError, bstr_head, encode, map_head, read_head, scan
from imgseal.formats.suit import labels
from imgseal.formats.suit.digest import SuitDigest, sha256_digest
from imgseal.formats.suit.errors import SuitError, decode_part, refuse
from imgseal.limits import BLOCKS, MANIFEST_BYTES
from imgseal.records import NamedTuple

_MEMBERS = 256


class Envelope(NamedTuple):
    """An envelope taken apart.

    `digest_bytes` are the encoded SUIT_Digest, which is what is signed; `blocks` the encoded authentication blocks;
    `manifest` and `severed` the contents of their byte strings; `payloads` views of the integrated payloads by their
    key.
    """

    digest: SuitDigest
    digest_bytes: bytes
    blocks: tuple[bytes, ...]
    manifest: bytes
    severed: Mapping[int, bytes]
    payloads: Mapping[str, memoryview]


def wrapped_digest(content: bytes) -> SuitDigest:
    """Return the SHA-256 digest of a member: over its byte string with the head, as the draft's digests are."""
    return sha256_digest(bstr_head(len(content)) + content)


def envelope_pieces(
    digest_bytes: bytes,
    blocks: tuple[bytes, ...],
    manifest: bytes,
    severed: Mapping[int, bytes],
    payloads: Mapping[str, tuple[int, Iterator[bytes | memoryview]]],
) -> Iterator[bytes | memoryview]:
    """Yield the envelope in pieces; `payloads` give size and bytes for each key, in any order."""
    yield bytes.fromhex("d86b")  # tag 107
    count = 2 + len(severed) + len(payloads)
    yield map_head(count)
    yield encode(labels.AUTHENTICATION) + encode(encode([digest_bytes, *blocks]))
    yield encode(labels.MANIFEST) + encode(manifest)
    for label in sorted(severed):
        yield encode(label) + encode(severed[label])
    for key in sorted(payloads, key=encode):
        size, pieces = payloads[key]
        yield encode(key) + bstr_head(size)
        yield from pieces


def beside_payloads(envelope: Envelope) -> Iterator[tuple[str, bytes]]:
    """Yield everything of an envelope that is no payload, under the name of its member; keys of payloads last."""
    yield "authentication", encode([envelope.digest_bytes, *envelope.blocks])
    yield "manifest", envelope.manifest
    for label, content in envelope.severed.items():
        yield labels.MANIFEST_MEMBERS[label], content
    yield "payload keys", "\n".join(envelope.payloads).encode()


def with_block(data: memoryview, block: bytes) -> Iterator[bytes | memoryview]:
    """Yield the envelope with one more authentication block; every byte outside the wrapper stays as it is.

    SuitError as `decode_envelope`, for what is no envelope, and where no block more has room.
    """
    envelope = decode_envelope(data)
    if len(envelope.blocks) >= BLOCKS:
        refuse("authentication", "there is no room for another signature", f"fewer than {BLOCKS}", len(envelope.blocks))
    entries = read_head(data, 2, "envelope")  # behind the two bytes of tag 107
    label = read_head(data, entries.end, "envelope")  # the wrapper's label is the lowest, so it comes first
    wrapper = read_head(data, label.end, "envelope")
    yield data[: label.end]
    yield encode(encode([envelope.digest_bytes, *envelope.blocks, block]))
    yield data[wrapper.end + wrapper.argument :]


def decode_envelope(data: bytes | memoryview) -> Envelope:
    """Take an envelope apart; SuitError for anything that is not deterministic, unknown or missing.

    The manifest's content is not looked at: it is parsed only after its signature holds.
    """
    try:
        return _decode(memoryview(data))
    except CborError as error:
        raise SuitError(error.message, place=error.place, expected=error.expected, found=error.found) from None


def _decode(data: memoryview) -> Envelope:
    tag = read_head(data, 0, "envelope")
    if tag.major != TAG or tag.argument != labels.ENVELOPE_TAG:
        refuse("envelope", "this is no SUIT envelope", f"tag {labels.ENVELOPE_TAG}", bytes(data[:4]))
    head = read_head(data, tag.end, "envelope")
    if head.major != MAP or head.argument > _MEMBERS:
        refuse("envelope", "this is no map of members", f"at most {_MEMBERS} members", head.argument)
    members: dict[int, bytes] = {}
    payloads: dict[str, memoryview] = {}
    offset, last = head.end, b""
    for _ in range(head.argument):
        start = offset
        behind = scan(data, start, "envelope")
        encoded = bytes(data[start:behind])
        if encoded <= last:
            _refuse_at(start, "the members are not in order, or one stands twice", None, encoded.hex())
        last = encoded
        key = read_head(data, start, "envelope")
        content, offset = _content(data, behind)
        if key.major == TSTR:
            payloads[bytes(data[key.end : behind]).decode()] = content
        elif key.major == 0 and key.argument in labels.ENVELOPE_MEMBERS:
            if len(content) > MANIFEST_BYTES:
                most = f"at most {MANIFEST_BYTES} bytes"
                _refuse_at(behind, "a member is larger than a device would copy", most, f"{len(content)} bytes")
            members[key.argument] = bytes(content)
        else:
            _refuse_at(start, "an unknown member", "a label of the SUIT registry, or a text key", encoded.hex())
    if offset != len(data):
        _refuse_at(offset, "bytes follow the envelope", f"{offset} bytes in all", f"{len(data)} bytes")
    for label, name in ((labels.AUTHENTICATION, "authentication wrapper"), (labels.MANIFEST, "manifest")):
        if label not in members:
            refuse("envelope", f"the {name} is missing", f"label {label}")
    digest, digest_bytes, blocks = _wrapper(members.pop(labels.AUTHENTICATION))
    manifest = members.pop(labels.MANIFEST)
    return Envelope(digest, digest_bytes, blocks, manifest, members, payloads)


def _content(data: memoryview, offset: int) -> tuple[memoryview, int]:
    """Return what the byte string at `offset` holds, and the offset behind it."""
    head = read_head(data, offset, "envelope")
    if head.major != BSTR:
        _refuse_at(offset, "a member is no byte string", "a byte string", None)
    end = head.end + head.argument
    if end > len(data):
        _refuse_at(len(data), "the envelope ends inside a member", f"{end} bytes at least", f"{len(data)} bytes")
    return data[head.end : end], end


def _refuse_at(offset: int, message: str, expected: str | None, found: str | None) -> NoReturn:
    raise SuitError(message, place=Place(offset=offset), expected=expected, found=found)


def _wrapper(data: bytes) -> tuple[SuitDigest, bytes, tuple[bytes, ...]]:
    value = decode_part(data, "authentication")
    if not isinstance(value, list) or not value or not all(isinstance(entry, bytes) for entry in value):
        refuse("authentication", "this is no authentication wrapper", "an array of byte strings", value)
    if len(value) > BLOCKS + 1:
        refuse("authentication", "more signatures than anybody needs", f"at most {BLOCKS}", len(value) - 1)
    digest = SuitDigest.from_value(decode_part(value[0], "authentication.digest"), "authentication.digest")
    return digest, value[0], tuple(value[1:])
