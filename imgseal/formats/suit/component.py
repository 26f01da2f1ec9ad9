"""Component identifiers: arrays of byte strings.

Ours are [component number, run slot index] and, for detached headers, a third part.
"""

from imgseal.formats.suit.errors import refuse
from imgseal.records import NamedTuple

ComponentId = tuple[bytes, ...]
HEADER_PART = b"header"


class OurComponent(NamedTuple):
    """One of our identifiers taken apart; `header` says that it names a detached header block."""

    number: int
    slot: int
    header: bool


def component_id(value: object, where: str) -> ComponentId:
    """Read an identifier; section 8.4.5."""
    if not isinstance(value, (list, tuple)) or not all(isinstance(part, bytes) for part in value):
        refuse(where, "this is no component identifier", "an array of byte strings", value)
    return tuple(value)


def identifier(number: int, slot: int, *, header: bool = False) -> ComponentId:
    """Return our identifier of a component's run slot."""
    return (bytes([number]), bytes([slot]), HEADER_PART) if header else (bytes([number]), bytes([slot]))


def ours(identity: ComponentId) -> OurComponent | None:
    """Take one of our identifiers apart; None for those of others."""
    if len(identity) not in (2, 3) or len(identity[0]) != 1 or len(identity[1]) != 1 or not identity[0][0]:
        return None
    if len(identity) == 3 and identity[2] != HEADER_PART:
        return None
    return OurComponent(identity[0][0], identity[1][0], len(identity) == 3)
