"""Which slot a statement's link address or a manifest's component belongs to."""

from typing import TYPE_CHECKING

from imgseal.check.context import component_numbered
from imgseal.formats.sealed_image.statement import Statement
from imgseal.product.model import Component, Product
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from imgseal.formats.suit.component import OurComponent


class RunSlot(NamedTuple):
    """A run slot of a component: its number in `run`, name, first address, size, and bytes left for the payload."""

    number: int
    name: str
    base: int
    size: int
    room: int


def slot_of(product: Product, component: Component | None, statement: Statement) -> RunSlot | None:
    """Return the run slot whose payload address is the link address; None when there is none.

    Attached images run behind their header block, detached ones at the start of the slot.
    """
    if component is None:
        return None
    slots = run_slots(product, component, detached=statement.detached)
    return next((slot for slot in slots if statement.link_address == slot.base + slot.size - slot.room), None)


def run_slots(product: Product, component: Component, *, detached: bool) -> list[RunSlot]:
    """Describe the run slots of a component."""
    header = 0 if detached else component.header_block
    sizes = [(name, product.slots[name].size) for name in component.run]
    return [RunSlot(n, name, product.slot_base(name), size, size - header) for n, (name, size) in enumerate(sizes)]


def slot_name(product: Product, part: "OurComponent") -> str | None:
    """Return the slot of a manifest's component, of a header part the header slot; None where the product has none."""
    component = component_numbered(product, part.number)
    names = () if component is None else component.header if part.header else component.run
    return names[part.slot] if part.slot < len(names) else None
