"""How much room install records need: the sizes of docs/format/install-record.md that rules of the product file need.

They stand apart from the record's own layout because every command reads a product file, and few read a record.
"""

HEAD_BYTES, MEMBER_BYTES, CHECK_BYTES = 240, 36, 32

COPIES = 3
"""Equal copies of a record in its place; docs/format/install-record.md says why it takes three."""

PLACES = 3
"""Least number of places in the records slot."""

PLACES_ADVISED = 4
"""One more place survives two more power cuts in a row, and one place that wears out; docs/format/install-record.md."""

MEMBERS_MAX = 32

WRITE_UNIT_MAX = 256
"""Devices hold the first unit of an image back, and program it last: in RAM, no more than its statement."""


def record_bytes(members: int) -> int:
    """Return the size of a record for so many components, a multiple of 32."""
    content = HEAD_BYTES + 2 * members * MEMBER_BYTES
    return -(-content // CHECK_BYTES) * CHECK_BYTES + CHECK_BYTES


def copy_layout(members: int, write_unit: int) -> tuple[int, int]:
    """Return where the check of a copy begins, in write units of its own, and how many bytes a copy takes."""
    check = -(-(record_bytes(members) - CHECK_BYTES) // write_unit) * write_unit
    return check, check + -(-CHECK_BYTES // write_unit) * write_unit


def place_bytes(members: int, erase_block: int, write_unit: int) -> int:
    """Return the size of a place: as many whole erase blocks as the copies of a record take."""
    return -(-COPIES * copy_layout(members, write_unit)[1] // erase_block) * erase_block
