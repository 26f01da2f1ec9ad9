"""A trust anchor set <-> bytes, format 1; docs/format/trust-anchors.md has the byte tables.

A set is whole: it replaces the one before, whichever that is, so that a device may miss as many as it likes.
"""

import hashlib
import itertools
from collections.abc import Sequence
from typing import NoReturn

from imgseal.errors import InputError, Place
from imgseal.formats.cose.kid import thumbprint
from imgseal.formats.fields import Layout
from imgseal.records import NamedTuple

MAGIC = b"\xd5anchors"
IMAGES, PACKAGES, DELIVERIES = 1, 2, 3
EVERY_COMPONENT = 0xFFFF_FFFF
GENERATION = 24
"""Bits of the number below its first byte, which counts the apex trust anchors: only the contingency key raises it."""

ENTRIES, REVOKED = 32, 32
"""At most so many keys and revoked key identifiers: a device keeps them in RAM while it judges."""

_HEAD = Layout(
    (
        ("magic", "8s", "marks a set of this format"),
        ("format", "H", "1"),
        ("key_count", "H", "keys, 1 to 32"),
        ("number", "I", "only ever rises; its first byte counts apex trust anchors"),
        ("need_images", "B", "distinct signers that an image needs"),
        ("need_packages", "B", "distinct signers that a package needs"),
        ("revoked_count", "H", "revoked key identifiers, 0 to 32"),
        ("vendor_id", "16s", "vendor identifier"),
        ("class_id", "16s", "class identifier"),
        ("apex", "64s", "x and y of the apex trust anchor, or zeros"),
        ("contingency", "32s", "thumbprint of the contingency key, or zeros"),
    )
)
_ENTRY = Layout(
    (
        ("role", "B", "1 images, 2 packages, 3 deliveries"),
        ("reserved", "3s", "zeros"),
        ("components", "I", "bit per component by ascending number"),
        ("key_id", "16s", "first 16 bytes of the thumbprint"),
        ("point", "64s", "x and y"),
    )
)
_KEY, _POINT, _DIGEST = 16, 64, 32


class AnchorFormatError(InputError):
    """The bytes are no trust anchor set, or break a rule of its format."""


class Anchor(NamedTuple):
    """A key: role, a bit for each component it is good for, key identifier (16 bytes), P-256 point (x, y: 64 bytes)."""

    role: int
    components: int
    key_id: bytes
    point: bytes


class AnchorSet(NamedTuple):
    """What a device trusts. `number` only ever rises; 0 from the factory; its first byte counts apex trust anchors.

    `apex` is the point of the key that signs the next sets, 64 bytes; `contingency` the RFC 9679 thumbprint of the key
    that can take its place, 32 bytes. Zeros: there is none. `revoked` are key identifiers of 16 bytes.
    """

    number: int
    vendor_id: bytes
    class_id: bytes
    need_images: int
    need_packages: int
    apex: bytes
    contingency: bytes
    anchors: tuple[Anchor, ...]
    revoked: tuple[bytes, ...]


class AnchorUpdate(NamedTuple):
    """A set on its way to a device: what is signed, the point of the signer, and the signature, 64 bytes each."""

    anchors: AnchorSet
    signed: bytes
    signer: bytes
    signature: bytes


def encode_set(anchors: AnchorSet) -> bytes:
    """Return the bytes of a set; keys and revoked identifiers in ascending order, so that one set has one encoding."""
    ordered = sorted(anchors.anchors, key=lambda anchor: (anchor.role, anchor.key_id))
    counts = {"key_count": len(ordered), "revoked_count": len(anchors.revoked)}
    head = _HEAD.pack({**anchors._asdict(), **counts, "magic": MAGIC, "format": 1})
    entries = [_ENTRY.pack({**anchor._asdict(), "reserved": b""}) for anchor in ordered]
    return head + b"".join(entries) + b"".join(sorted(anchors.revoked))


def decode_set(data: bytes) -> AnchorSet:
    """Read exactly one set; AnchorFormatError names the field that is wrong. Points are not held against the curve."""
    _hold_magic(data)
    if len(data) < _HEAD.size:
        _refuse("", "the set ends before its head does", f"{_HEAD.size} bytes", f"{len(data)} bytes")
    at = _HEAD.unpack(data)
    count, revoked_count, apex, contingency = (at[n] for n in ("key_count", "revoked_count", "apex", "contingency"))
    if at["format"] != 1:
        _refuse("format", "a format that is not read here", "1", str(at["format"]))
    if not 1 <= count <= ENTRIES:
        _refuse("keys", "too few or too many keys", f"1 to {ENTRIES}", str(count))
    if revoked_count > REVOKED:
        _refuse("revoked", "too many revoked keys", f"at most {REVOKED}", str(revoked_count))
    size = _HEAD.size + count * _ENTRY.size + revoked_count * _KEY
    if len(data) != size:
        _refuse("", "the set is not of the size that its head says", f"{size} bytes", f"{len(data)} bytes")
    anchors = tuple(_anchor(data, index) for index in range(count))
    start = _HEAD.size + count * _ENTRY.size
    revoked = tuple(data[at : at + _KEY] for at in range(start, size, _KEY))
    _ascending([(a.role, a.key_id) for a in anchors], "keys")
    _ascending(revoked, "revoked")
    if len({a.key_id for a in anchors}) != count:
        _refuse("keys", "one key in two roles", "a key for each role", "the same key twice")
    for role, name in ((IMAGES, "need_images"), (PACKAGES, "need_packages")):
        there = sum(anchor.role == role for anchor in anchors)
        if not 1 <= at[name] <= there:
            _refuse(name, "more or fewer signers than there are keys", f"1 to {there}", str(at[name]))
    for anchor in anchors:
        if anchor.key_id in revoked:
            _refuse("revoked", "a key that is trusted and revoked", "one or the other", anchor.key_id.hex())
    _hold_apex(apex, contingency, anchors, revoked)
    at |= {"anchors": anchors, "revoked": revoked}
    return AnchorSet(*[at[name] for name in AnchorSet._fields])


def _hold_magic(data: bytes) -> None:
    if data[: len(MAGIC)] != MAGIC:
        _refuse("magic", "no trust anchor set", MAGIC.hex(), data[: len(MAGIC)].hex() or "nothing")


def _hold_apex(apex: bytes, contingency: bytes, anchors: tuple[Anchor, ...], revoked: tuple[bytes, ...]) -> None:
    """Refuse an apex trust anchor or contingency key that does something else as well, or is revoked."""
    if apex == bytes(_POINT):
        if contingency != bytes(_DIGEST):
            _refuse("contingency", "a contingency key without an apex trust anchor", "zeros", contingency.hex())
    else:
        own = thumbprint(apex[:32], apex[32:])
        if own == contingency:
            _refuse("contingency", "the apex trust anchor is its own contingency key", "another key", own.hex())
        if any(own[:_KEY] == anchor.key_id for anchor in anchors):
            _refuse("apex", "the apex trust anchor has a role as well", "a key of its own", own.hex())
        if own[:_KEY] in revoked or contingency[:_KEY] in revoked:
            _refuse("revoked", "the apex trust anchor or the contingency key is revoked", "another key", own.hex())
    if any(contingency[:_KEY] == anchor.key_id for anchor in anchors) and contingency != bytes(_DIGEST):
        _refuse("contingency", "the contingency key has a role as well", "a key of its own", "the same")


def _anchor(data: bytes, index: int) -> Anchor:
    at = _ENTRY.unpack(data, _HEAD.size + index * _ENTRY.size)
    role, zeros, components, key_id, point = at.values()
    where = f"keys[{index}]"
    if role not in (IMAGES, PACKAGES, DELIVERIES):
        _refuse(f"{where}.role", "an unknown role", f"{IMAGES} to {DELIVERIES}", str(role))
    if zeros != bytes(3):
        _refuse(f"{where}.reserved", "reserved bytes that are not zero", "000000", zeros.hex())
    if not components or (role != IMAGES and components != EVERY_COMPONENT):
        _refuse(f"{where}.components", "a key that is good for nothing or limited where it cannot be", "bits", "none")
    own = thumbprint(point[:32], point[32:])[:_KEY]
    if own != key_id:
        _refuse(f"{where}.key", "the identifier is not the key's", own.hex(), key_id.hex())
    return Anchor(role, components, key_id, point)


def _ascending(values: Sequence[object], name: str) -> None:
    if any(not left < right for left, right in itertools.pairwise(values)):  # type: ignore[operator]
        _refuse(name, "not in ascending order, or twice", "each once, ascending", "another order")


def encode_update(signed: bytes, signature: bytes) -> bytes:
    """Return an update: what was signed, which ends with the signer's point, and the signature."""
    return signed + signature


def decode_update(data: bytes) -> AnchorUpdate:
    """Read an update; AnchorFormatError as `decode_set`. The signature is not verified here."""
    if len(data) < 2 * _POINT:
        _hold_magic(data)
        _refuse("", "the update ends before its signature", f"more than {2 * _POINT} bytes", f"{len(data)} bytes")
    signed, signature = data[:-_POINT], data[-_POINT:]
    return AnchorUpdate(decode_set(signed[:-_POINT]), signed, signed[-_POINT:], signature)


def flash_block(anchors: AnchorSet) -> bytes:
    """Return a set as it lies in flash: its bytes and their SHA-256, which finds damage and proves nothing."""
    content = encode_set(anchors)
    return content + hashlib.sha256(content).digest()


def read_flash_block(data: bytes) -> AnchorSet:
    """Read a set from the start of a place in flash; AnchorFormatError where it is damaged or there is none."""
    if data[: len(MAGIC)] != MAGIC or len(data) < _HEAD.size:
        _refuse("magic", "no trust anchor set", MAGIC.hex(), data[: len(MAGIC)].hex() or "nothing")
    head = _HEAD.unpack(data)
    size = _HEAD.size + head["key_count"] * _ENTRY.size + head["revoked_count"] * _KEY
    content, digest = data[:size], data[size : size + _DIGEST]  # behind it is the erased rest of the place
    if hashlib.sha256(content).digest() != digest:
        _refuse("digest", "the set is damaged", hashlib.sha256(content).hexdigest(), digest.hex())
    return decode_set(content)


def number_words(number: int) -> str:
    """Return a number as people read it: within which generation of the apex trust anchor, if not the first."""
    generation, low = number >> GENERATION, number & (1 << GENERATION) - 1
    return str(low) if not generation else f"{low} of apex trust anchor {generation + 1}"


def decode_held(data: bytes) -> AnchorSet:
    """Read what a device holds: the update that it took last, or the block that it left the factory with."""
    try:
        return read_flash_block(data)
    except AnchorFormatError:
        return decode_update(data).anchors


def _refuse(key: str, message: str, expected: str, found: str) -> NoReturn:
    raise AnchorFormatError(
        message,
        place=Place(key=key),
        expected=expected,
        found=found,
        hint="get it again from its source, or make it again: imgseal trust replace",
    )
