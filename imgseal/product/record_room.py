"""How much room install records need: the sizes of docs/format/install-record.md that rules of the product file need.

They stand apart from the record's own layout because every command reads a product file, and few read a record.
"""

__all__ = [
    "CHECK_BYTES",
    "COPIES",
    "HEAD_BYTES",
    "MEMBERS_MAX",
    "MEMBER_BYTES",
    "PLACES",
    "WRITE_UNIT_MAX",
    "place_bytes",
    "record_bytes",
]

HEAD_BYTES, MEMBER_BYTES, CHECK_BYTES = 240, 36, 32

COPIES = 3
"""Equal copies of a record in its place; docs/format/install-record.md says why it takes three."""

PLACES = 3
"""Least number of places in the records slot."""

MEMBERS_MAX = 32

WRITE_UNIT_MAX = CHECK_BYTES
"""A record's check is programmed last, so no write unit may be larger."""


def record_bytes(members: int) -> int:
    """Return the size of a record for so many components, a multiple of 32."""
    content = HEAD_BYTES + 2 * members * MEMBER_BYTES
    return -(-content // CHECK_BYTES) * CHECK_BYTES + CHECK_BYTES


def place_bytes(members: int, erase_block: int) -> int:
    """Return the size of a place: as many whole erase blocks as the copies of a record take."""
    return -(-COPIES * record_bytes(members) // erase_block) * erase_block
