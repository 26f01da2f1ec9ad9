"""The state after an update: pure, and only for a package that the judge has accepted for this device."""

from collections.abc import Mapping

from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.state.device import DeviceState, SlotContent

__all__ = ["Installed", "advance", "free_slot"]


class Installed(NamedTuple):
    """One image that an update installs: component number, index of its run slot, counter, what the slot then holds.

    `header` is what the header slot of a detached image holds.
    """

    component: int
    slot: int
    counter: int
    content: SlotContent
    header: SlotContent | None = None


def free_slot(state: DeviceState, component: int, offered: tuple[int, ...]) -> int:
    """Return which of the run slots that a package serves is taken: the one that the component does not run from.

    A component that runs from nowhere yet takes the first one offered.
    """
    running = state.running.get(component)
    return next((slot for slot in offered if slot != running), offered[0])


def advance(
    state: DeviceState, product: Product, sequence: int, manifest_digest: bytes, images: Mapping[int, Installed]
) -> DeviceState:
    """Return the state once the new set has run and reported itself healthy.

    Counters rise to those of the images and never fall. What a run slot held before is in the component's keep slot
    afterwards, where it has one; staging slots hold nothing that counts any more.
    """
    counters, running, slots = dict(state.counters), dict(state.running), dict(state.slots)
    for component in product.components.values():
        image = images.get(component.number)
        if image is None:
            continue
        counters[image.component] = max(image.counter, counters.get(image.component, 0))
        target = component.run[image.slot]
        before = slots.get(target)
        if component.keep is not None and before is not None:
            slots[component.keep] = before
        if component.staging is not None:
            slots[component.staging] = None
        slots[target] = image.content
        if image.header is not None:
            slots[component.header[image.slot]] = image.header
        running[image.component] = image.slot
    return state._replace(
        sequence=sequence,
        manifest_digest=manifest_digest,
        counters=counters,
        running=running,
        slots=slots,
        fresh=False,
    )
