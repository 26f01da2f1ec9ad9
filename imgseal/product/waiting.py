"""Where packages and deliveries wait on a device while they are installed, and how large they may be."""

from imgseal.product.model import Product

ENTRY_BYTES = 16
"""Of the log of a kept package: one entry for each erase block of it."""


def room_for_package(product: Product) -> int | None:
    """Return how large a package the slot takes beside its log; None where there is no such slot."""
    slot = product.slot_holding("package")
    if slot is None:
        return None
    memory = product.memories[slot.memory]
    log = (slot.size // memory.erase_block + 1) * max(ENTRY_BYTES, memory.write_unit)
    return slot.size - -(-log // memory.erase_block) * memory.erase_block


def room_for_delivery(product: Product) -> tuple[str, int] | None:
    """Return the slot in which a delivery waits, and how large it may be; None where the product file names none."""
    if product.delivery_slot is not None:
        return product.delivery_slot, product.slots[product.delivery_slot].size
    slot, room = product.slot_holding("package"), room_for_package(product)
    return None if slot is None or room is None else (slot.name, room)
