"""How an image is taken for code: where it runs, and what RAM its words may point to."""

from imgseal.formats.delta.layout import Frame
from imgseal.records import NamedTuple

_RAM, _RAM_BYTES = 0x2000_0000, 256 << 10


class Side(NamedTuple):
    """An image, the address of its first byte if it has one, and whether it is code."""

    data: bytes
    base: int | None
    code: bool


def frame_of(old: Side, new: Side) -> Frame | None:
    """Return how to take the images for code; None where one is data, or has no address.

    RAM is where the initial stack pointer of the new image points to.
    """
    if not (old.code and new.code) or old.base is None or new.base is None:
        return None
    if old.base % 256 or new.base % 256 or max(old.base + len(old.data), new.base + len(new.data)) > 1 << 32:
        return None
    stack = _stack_pointer(new.data)
    if stack is None:
        return Frame(old.base, new.base, _RAM, _RAM_BYTES)
    first = (stack - 1) & 0xFF00_0000
    size = 4096
    while size < min(stack - first, 4096 << 15):
        size *= 2
    return Frame(old.base, new.base, first, size)


def _stack_pointer(data: bytes) -> int | None:
    """Return the first word of the vector table: in front, or behind the header block of a sealed image."""
    for at in (0, *range(512, 8193, 128)):
        stack, reset = (int.from_bytes(data[at + i : at + i + 4], "little") for i in (0, 4))
        if 0x1000_0000 < stack <= 0x4000_0000 and not stack & 3 and reset & 1 and reset < 0x1000_0000:
            return stack
    return None
