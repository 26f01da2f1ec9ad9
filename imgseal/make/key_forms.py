"""Private keys in the forms that files have: PEM, and DER of PKCS#8, SEC1 and PKCS#1; recognised, never opened."""

import re
from collections.abc import Callable

from imgseal.records import NamedTuple

PEM_LABELS = (
    "PRIVATE KEY",
    "EC PRIVATE KEY",
    "RSA PRIVATE KEY",
    "DSA PRIVATE KEY",
    "ENCRYPTED PRIVATE KEY",
    "OPENSSH PRIVATE KEY",
)
"""RFC 7468 sections 10, 11 and 13; the others are common practice, without a source."""

DER_VERSION = re.compile(rb"\x02\x01[\x00\x01][\x02\x04\x30]")
"""The version every private key starts with, and the tag of what follows: algorithm, private scalar, or modulus."""

_PEM_BYTES = 32 << 10  # a key of RSA with 16,384 bits has 13 KB of text
_DER_BYTES = 16 << 10
# behind the marker: header lines of old encrypted keys, and text that can be a key. Libraries hold the markers alone.
_PEM = (
    rb"-----BEGIN (" + b"|".join(label.encode() for label in PEM_LABELS) + rb")-----\s*"
    rb"(?:[A-Za-z0-9-]{1,32}: ?[^\r\n]{0,200}\r?\n\s*)*[A-Za-z0-9+/]{20}[A-Za-z0-9+/=\s]*(?:-----END \1-----)?"
)
_SEQUENCE, _INTEGER, _OCTETS, _OBJECT = 0x30, 0x02, 0x04, 0x06
_MORE = (0xA0, 0xA1, 0x81)  # attributes or curve, public key
_ALGORITHMS = {
    "2a8648ce3d0201": "elliptic curve",
    "2a864886f70d010101": "RSA",
    "2a8648ce380401": "DSA",
    "2b656e": "X25519",
    "2b656f": "X448",
    "2b6570": "Ed25519",
    "2b6571": "Ed448",
}
_Read = Callable[[int, int], bytes]


class KeyForm(NamedTuple):
    """A private key that was recognised: what it is in words, and its first byte and size."""

    what: str
    offset: int
    size: int


def pem_key(read: _Read, offset: int) -> KeyForm | None:
    """Recognise a PEM private key whose marker starts at `offset`; None for a marker without a key behind it."""
    match = re.match(_PEM, read(offset, _PEM_BYTES))
    if match is None:
        return None
    return KeyForm(f"PEM file ({match[1].decode()})", offset, len(match[0].rstrip()))


def der_key(read: _Read, version: int) -> KeyForm | None:
    """Recognise the DER private key whose version stands at offset `version`; None where there is none.

    PKCS#8 (RFC 5958 section 2), SEC1 (RFC 5915 section 3), PKCS#1 (RFC 8017 appendix A.1.2).
    """
    head = read(max(0, version - 4), min(4, version))
    if head[-2:-1] == b"\x30" and head[-1] < 0x80:
        header, size = 2, head[-1]
    elif head[-3:-1] == b"\x30\x81":
        header, size = 3, head[-1]
    elif head[-4:-2] == b"\x30\x82":
        header, size = 4, int.from_bytes(head[-2:])
    else:
        return None
    body = read(version, size) if size <= _DER_BYTES else b""
    members = _members(body) if len(body) == size else None
    what = _kind(members) if members else None
    return KeyForm(what, version - header, header + size) if what else None


def _kind(members: list[tuple[int, bytes]]) -> str | None:
    tags = [tag for tag, _ in members]
    if tags[:3] == [_INTEGER, _SEQUENCE, _OCTETS] and all(tag in _MORE for tag in tags[3:]):
        algorithm = _members(members[1][1]) or []
        if algorithm and algorithm[0][0] == _OBJECT and members[2][1]:
            return f"PKCS#8 key ({_ALGORITHMS.get(algorithm[0][1].hex(), 'another algorithm')})"
    elif tags[:2] == [_INTEGER, _OCTETS] and members[0][1] == b"\1":
        if 20 <= len(members[1][1]) <= 72 and len(tags) <= 4 and all(tag in _MORE for tag in tags[2:]):
            return "SEC1 key (elliptic curve)"
    elif len(tags) in (6, 9) and set(tags) == {_INTEGER} and len(members[1][1]) >= 64:
        return "PKCS#1 key (RSA)" if len(tags) == 9 else "key of DSA in the old form"
    return None


def _members(body: bytes) -> list[tuple[int, bytes]] | None:
    """Take DER values apart that fill `body` exactly; None where they do not."""
    members, at = [], 0
    while at < len(body):
        length_at = at + 1
        first = body[length_at] if length_at < len(body) else 0xFF
        count = 0 if first < 0x80 else first - 0x80
        start = length_at + 1 + count
        size = first if count == 0 else int.from_bytes(body[length_at + 1 : start])
        if count > 2 or start + size > len(body):
            return None
        members.append((body[at], body[start : start + size]))
        at = start + size
    return members
