"""The statement's field table, in the order and with the offsets of docs/format/sealed-image.md.

Everything is little-endian. The table is the single declaration: the codec's `struct` format, the field places in
findings, `imgseal show --field` and the document's byte table all follow it, and tests hold them together.
"""

from imgseal.formats.fields import Field, Layout

MAGIC = b"\xd5imgseal"
"""Not text, not CBOR of any envelope, and not the start of a COSE Sig_structure (0x84).

No other signed thing begins so.
"""

FORMAT_MAJOR, FORMAT_MINOR = 1, 0
CODE, DATA = 1, 2
DIGEST_SHA256 = -16  # COSE number, RFC 9054
ESP256 = -9  # COSE number, RFC 9864: ECDSA on P-256 with SHA-256
ML_DSA_44 = -48  # COSE number, RFC 9964: pure ML-DSA-44 of FIPS 204 with the empty context
SIGNATURE_BYTES = {ESP256: 64, ML_DSA_44: 2420}  # RFC 9053 section 2.1; RFC 9964
FLAG_DEVELOPMENT, FLAG_DETACHED = 1, 2
KNOWN_FLAGS = FLAG_DEVELOPMENT | FLAG_DETACHED
NEEDS, SIGNATURE_SLOTS = 4, 3
KEY_ID_BYTES, REVISION_BYTES = 16, 32
FILL = 0xFF


STATEMENT = Layout(
    [
        ("magic", "8s", "marks a header block of this format"),
        ("format_major", "H", "1"),
        ("format_minor", "H", "0"),
        ("vendor_id", "16s", "UUIDv5 of the vendor's domain"),
        ("class_id", "16s", "UUIDv5 of the class under the vendor"),
        ("hardware_least", "H", "lowest hardware revision that takes the image"),
        ("hardware_most", "H", "highest hardware revision that takes the image"),
        ("component_number", "B", "1 to 255"),
        ("component_kind", "B", "1 code, 2 data"),
        ("needs_count", "B", "requirements used, 0 to 4"),
        ("revision_length", "B", "bytes of source revision used, 0 to 32"),
        ("version", "4I", "major, minor, patch, stage word"),
        ("counter", "I", "anti-rollback counter"),
        ("need_components", "4B", "component number of each requirement, ascending; 0 is the bootloader"),
        ("need_least", "16I", "least version of each requirement"),
        ("need_below", "16I", "first excluded version of each requirement, or zeros"),
        ("build_time", "Q", "seconds since 1970-01-01 UTC"),
        ("source_revision", "32s", "revision of the sources, zeros behind it"),
        ("digest_algorithm", "i", "COSE number; -16 is SHA-256"),
        ("payload_digest", "32s", "digest of the payload"),
        ("payload_size", "I", "bytes of payload"),
        ("link_address", "I", "address of the first payload byte when it runs"),
        ("entry_offset", "I", "offset of the vector table in the payload; 0 for data"),
        ("header_block", "H", "bytes of the header block"),
        ("statement_length", "H", "384"),
        ("flags", "I", "bit 0 development, bit 1 detached"),
        *[
            (f"signature_{index}_{name}", code, meaning)
            for index in range(SIGNATURE_SLOTS)
            for name, code, meaning in (
                ("algorithm", "i", "COSE number; 0 for an unused slot"),
                ("key", "16s", "first 16 bytes of the key's RFC 9679 thumbprint"),
                ("length", "H", "bytes of signature value"),
                ("reserved", "H", "0"),
            )
        ],
        ("reserved", "12s", "zeros"),
    ]
)
FIELDS = STATEMENT.fields
STATEMENT_BYTES = STATEMENT.size
_BY_NAME = {field.name: field for field in FIELDS}


def field(name: str) -> Field:
    """Return the field of that name; KeyError for a name the table does not have."""
    return _BY_NAME[name]
