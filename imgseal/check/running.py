"""What a device runs now, as far as its slots tell, and which bootloaders may start it."""

import hashlib
from collections.abc import Iterable, Mapping

from imgseal.check.context import Context, component_numbered
from imgseal.check.image import ImageSubject
from imgseal.device_state.fielded import DEVICE, FIRST, PREVIOUS, PRODUCT, Fielded
from imgseal.findings import Bootloaders
from imgseal.formats.sealed_image.codec import HeaderBlock
from imgseal.formats.sealed_image.statement import Need
from imgseal.product.model import Component
from imgseal.versions import Version


def fielded(context: Context) -> Fielded:
    """Return what is known of the bootloaders of the devices that the verdict is for."""
    state = context.state
    if state.fielded is not None:
        return state.fielded
    if state.fresh:
        words = "product file, for new devices; nothing says what is in the field"
        return Fielded(state.bootloader, state.bootloader, PRODUCT, words)
    return Fielded(state.bootloader, state.bootloader, DEVICE, DEVICE)


def serves(known: Fielded, need: Need) -> bool | None:
    """Say whether every one of these bootloaders is what an image needs; None where that is not known.

    The product file alone can only refuse: it is no witness of devices that were made before it was changed. What the
    previous package asks for is the least that its devices have.
    """
    if known.oldest is None:
        return None
    if not need.met_by(known.oldest):
        return None if known.source == PREVIOUS else False
    if known.newest is None:
        return True if need.below is None else None
    if not need.met_by(known.newest):
        return False
    return None if known.source == PRODUCT else True


def relied_on(context: Context, images: Iterable[ImageSubject]) -> Bootloaders | None:
    """Return what the verdict has to say about bootloaders: nothing where no image needs one."""
    if not any(need.component == 0 for image in images if image.header for need in image.statement.needs):
        return None
    known = fielded(context)
    oldest, newest = (None if version is None else str(version) for version in (known.oldest, known.newest))
    return Bootloaders(oldest, newest, known.source, str(known))


def left_out(images: Iterable[ImageSubject], context: Context) -> tuple[str, ...]:
    """Say which devices in the field have a hardware revision that some image is not for, as far as the log knows."""
    ranges = [image.statement.hardware for image in images if image.header]
    if context.layout is None or context.state.hardware is not None or not ranges:
        return ()
    return context.layout.left_out(max(least for least, _ in ranges), min(most for _, most in ranges))


def running_versions(context: Context) -> Mapping[int, Version]:
    """Return the versions of what the device runs now, by component number; 0 is the bootloader.

    A slot whose content has no readable header counts as empty; where there is no content, the state may know the
    version. The bootloader's is there where one is certain.
    """
    versions: dict[int, Version] = dict(context.state.versions)
    known = fielded(context)
    if known.oldest is not None and known.source in (DEVICE, FIRST):
        versions[0] = known.oldest
    for component in context.product.components.values():
        header = _running_header(context, component)
        if header is not None:
            versions[component.number] = header.statement.version
    return versions


def counter_floor(context: Context, number: int) -> int:
    """Return the counter below which nothing is installed: the device's, or that of what runs where it is higher.

    What runs counts only where the device says that its storage does not take the counters of its settled set, and only
    if it is what the device says that runs: a damaged header must not lock the device out.
    """
    state = context.state
    least = state.counters.get(number, 0)
    component, member = component_numbered(context.product, number), state.current.get(number)
    if not state.unraised or state.trial is not None or component is None or member is None:
        return least
    header = _running_header(context, component)
    if header is None or member.statement not in (b"", hashlib.sha256(header.statement_bytes).digest()):
        return least
    return max(least, header.statement.counter)


def _running_header(context: Context, component: Component) -> HeaderBlock | None:
    index = context.state.running.get(component.number)
    if index is None or index >= len(component.run):
        return None
    content = context.contents.get((component.header or component.run)[index])
    header = None if content is None else ImageSubject(content).header
    return header if header is not None and header.statement.component == component.number else None
