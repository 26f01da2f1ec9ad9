"""Placement: the image is linked for a run slot of its component, and fits. Judged before any payload byte is read."""

from collections.abc import Iterator

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject, in_statement
from imgseal.check.runner import NO_DUMP, Answer
from imgseal.check.slots import run_slots
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.product.model import Slot


def header_block(subject: ImageSubject, context: Context) -> Finding | None:
    """The header block has the size the product file states: the bootloader finds the payload behind it."""
    statement = subject.statement
    component = subject.component(context.product)
    if component is None or statement.header_block == component.header_block:
        return None
    return Finding(
        "placement.header-block",
        "the header block is not of the size this product uses",
        in_statement("header_block"),
        expected=f"{component.header_block} (component.{component.name}.header_block)",
        found=str(statement.header_block),
        hint="seal the image again with this product file",
    )


def address(subject: ImageSubject, context: Context) -> Finding | None:
    """The link address is where a run slot of the component puts its payload."""
    statement = subject.statement
    component = subject.component(context.product)
    if component is None:
        return None
    if statement.detached != bool(component.header):
        how = "a detached header" if component.header else "the header in front of the payload"
        return Finding(
            "placement.wrong-address",
            f"{component.name} is sealed with {how} in this product",
            in_statement("flags"),
            expected=how,
            found="a detached header" if statement.detached else "an attached header",
            hint="seal it again with this product file",
        )
    if subject.slot(context.product) is not None:
        return None
    slots = run_slots(context.product, component, detached=statement.detached)
    return Finding(
        "placement.wrong-address",
        "linked for an address where no run slot puts its payload",
        in_statement("link_address"),
        expected=" or ".join(f"0x{slot.base + slot.size - slot.room:08x} ({slot.name})" for slot in slots),
        found=f"0x{statement.link_address:08x}",
        hint="link the firmware for the slot: imgseal show --linker",
    )


def size(subject: ImageSubject, context: Context) -> Finding | None:
    """Payload size <= slot size - header size; Python's integers cannot overflow."""
    statement = subject.statement
    slot = subject.slot(context.product)
    if slot is None or statement.payload_size <= slot.room:
        return None
    return Finding(
        "placement.larger-than-slot",
        f"the payload does not fit {slot.name}",
        in_statement("payload_size"),
        expected=f"at most {slot.room} bytes (slot {slot.size} less header block)",
        found=f"{statement.payload_size} bytes, {statement.payload_size - slot.room} too many",
        hint="make the firmware smaller or the slot larger",
    )


def dump(subject: ImageSubject, context: Context) -> Answer:
    """A raw dump has its slot's size and holds an image that is linked for that slot."""
    if context.slot is None:
        return NO_DUMP
    return _dump(subject, context, context.product.slots[context.slot])


def _dump(subject: ImageSubject, context: Context, slot: Slot) -> Iterator[Finding]:
    statement = subject.statement
    component = subject.component(context.product)
    given = subject.payload_file if statement.detached else None
    data = subject.data if given is None else given
    if data.size != slot.size:
        yield Finding(
            "placement.dump-size",
            f"this is no dump of {slot.name}",
            Place(offset=min(data.size, slot.size)),
            expected=f"{slot.size} bytes",
            found=f"{data.size} bytes",
            hint="read the whole slot, from its first to its last byte",
        )
    own = subject.slot(context.product)
    waiting = component is not None and slot.name in (component.staging, component.keep)
    if own is not None and own.name != slot.name and not waiting:
        yield Finding(
            "placement.wrong-slot",
            f"the image in {slot.name} is linked for {own.name}",
            in_statement("link_address"),
            expected=f"an image linked for {slot.name}",
            found=f"0x{statement.link_address:08x}",
            hint="write it to the slot it is linked for",
        )
