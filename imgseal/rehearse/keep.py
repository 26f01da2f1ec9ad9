"""What keeping a package in its flash slot takes, as it arrives: the operations of a whole one; docs/device-code.md."""

from imgseal.product.model import Product
from imgseal.rehearse.flash import Operation

_ENTRY = 16  # bytes of an entry of the log, one for each erase block of the package


def _log(product: Product) -> tuple[str, int, int, int]:
    """The slot's memory and its place there, the bytes of its log, and those of an entry."""
    slot = product.slot_holding("package")
    assert slot is not None
    memory = product.memories[slot.memory]
    entry = max(_ENTRY, memory.write_unit)
    blocks = -(-(slot.size // memory.erase_block + 1) * entry // memory.erase_block)
    return memory.name, slot.at, blocks * memory.erase_block, entry


def room_for_package(product: Product) -> int | None:
    """Return how large a package the slot takes; None where there is no such slot."""
    slot = product.slot_holding("package")
    return None if slot is None else slot.size - _log(product)[2]


def keeping(product: Product, size: int) -> list[Operation]:
    """Return the operations that keep a package of that size, none where the product has no slot for it."""
    room = room_for_package(product)
    if room is None:
        return []
    name, start, log, entry = _log(product)
    memory = product.memories[name]
    out = [Operation(name, start + room + at, None) for at in range(0, log, memory.erase_block)]
    for block in range(0, size, memory.erase_block):
        end = min(block + memory.erase_block, size)
        out.append(Operation(name, start + block, None))
        for at in range(block, end, memory.page):
            length = min(memory.page, end - at)
            out.append(Operation(name, start + at, bytes(-(-length // memory.write_unit) * memory.write_unit)))
        if end - block == memory.erase_block:
            at = room + block // memory.erase_block * entry
            out.append(Operation(name, start + at, bytes(entry)))
    return out
