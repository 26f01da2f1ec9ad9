"""Puts a firmware image into its slot: which slot, which bytes, and nothing lost on the way."""

from collections.abc import Iterator

from imgseal.errors import Place, UsageError
from imgseal.formats.memory.image import MemoryImage
from imgseal.product.model import Component, Product, Slot
from imgseal.records import NamedTuple
from imgseal.window import digest_of


class Payload:
    """The bytes that will run, gaps filled with 0xFF, read from the image piece by piece as often as wanted."""

    __slots__ = ("_end", "_image", "_start", "size")

    def __init__(self, image: MemoryImage, start: int, end: int) -> None:
        self._image = image
        self._start = start
        self._end = end
        self.size = end - start

    def chunks(self) -> Iterator[bytes]:
        """Yield the payload in order."""
        return self._image.filled(self._start, self._end)

    def read(self, offset: int, length: int) -> bytes:
        """Return up to `length` bytes from `offset`."""
        start = min(self._start + offset, self._end)
        return b"".join(self._image.filled(start, min(start + length, self._end)))

    def digest(self) -> bytes:
        """SHA-256 of the payload, 32 bytes."""
        return digest_of(self.chunks())


class Placed(NamedTuple):
    """A payload in its run slot: addresses in the device's memory map, sizes in bytes."""

    component: Component
    slot: Slot
    slot_index: int
    link_address: int
    entry_offset: int
    payload: Payload
    room: int


def separate(image: MemoryImage, component: Component, name: str) -> tuple[MemoryImage, dict[str, MemoryImage]]:
    """Take the ranges out that `component.outside` names; returns what is left, and what is carried for others.

    A dropped range is gone on purpose; a carried one becomes the firmware of the component it names.
    """
    carried: dict[str, MemoryImage] = {}
    for part in component.outside:
        inside = image.crop(part.at, part.at + part.size)
        if part.carry is not None and inside.size:
            if part.carry in carried:
                raise UsageError(
                    f"two ranges of {component.name} are carried to {part.carry}",
                    place=Place(file=name, address=part.at),
                    hint="name one range that covers both",
                )
            carried[part.carry] = inside
        image = image.without(part.at, part.at + part.size)
    if not image.size:
        raise UsageError(
            "every byte of this file lies in ranges that the product file drops or carries elsewhere",
            place=Place(file=name, key=f"component.{component.name}.outside"),
            hint="narrow the ranges down, or give another file",
        )
    return image, carried


def place_all(image: MemoryImage, product: Product, component: Component, name: str) -> list[Placed]:
    """Place an image, and what it carries for other components; UsageError as `separate` and `place`."""
    rest, carried = separate(image, component, name)
    parts = [(component, rest), *((product.components[other], part) for other, part in carried.items())]
    return [place(part, product, of, name) for of, part in parts]


def place(image: MemoryImage, product: Product, component: Component, name: str) -> Placed:
    """Find the run slot that the image is linked for.

    Raises UsageError when data lies outside the slot (it is never dropped silently), when the image is linked at the
    slot's first byte where the header block goes, when it spans two slots, or does not fit.
    """
    for index, slot_name in enumerate(component.run):
        if _holds(product, slot_name, image.lowest):
            return _place_in(image, product, component, name, index)
    spans = (f"{slot} " + "0x{:08x}..0x{:08x}".format(*_room(product, component, slot)) for slot in component.run)
    raise UsageError(
        f"this firmware is linked for none of the run slots of {component.name}",
        place=Place(file=name, address=image.lowest),
        expected=", ".join(spans),
        found=f"0x{image.lowest:08x}..0x{image.end:08x}",
        hint=_elsewhere(component, image.lowest, product)
        or "link it for one of them (imgseal show --linker), or give the file of this component",
    )


def _holds(product: Product, slot_name: str, address: int) -> bool:
    base = product.slot_base(slot_name)
    return base <= address < base + product.slots[slot_name].size


def _room(product: Product, component: Component, slot_name: str) -> tuple[int, int]:
    """Return where the payload may lie in a slot: its first address, and the one behind its last."""
    base = product.slot_base(slot_name)
    return base + component.payload_offset, base + product.slots[slot_name].size


def _place_in(image: MemoryImage, product: Product, component: Component, name: str, index: int) -> Placed:
    slot = product.slots[component.run[index]]
    start, end = _room(product, component, slot.name)
    if image.lowest < start:
        base = product.slot_base(slot.name)
        raise UsageError(
            f"this firmware begins in {slot.name} where its header block goes",
            place=Place(file=name, address=image.lowest),
            expected=f"first byte at 0x{start:08x} (slot 0x{base:08x} + header_block {component.header_block})",
            found=f"0x{image.lowest:08x}",
            hint=f"change the linker script to: {linker_region(product, component, slot.name)}",
        )
    for region in image.regions:
        if region.end <= end:
            continue
        inside = region.address < end
        raise UsageError(
            f"this firmware does not fit {slot.name}" if inside else f"data lies outside {slot.name}",
            place=Place(file=name, address=max(region.address, end)),
            expected=f"all data in 0x{start:08x}..0x{end:08x}, {end - start} bytes",
            found=f"0x{region.address:08x}..0x{region.end:08x}"
            + (f", {region.end - end} bytes too many" if inside else ""),
            hint="make it smaller, or enlarge the slot in the product file"
            if inside
            else _outside_hint(component, region.address, region.end, product),
        )
    entry = image.lowest - start if component.kind == "code" else 0
    return Placed(component, slot, index, start, entry, Payload(image, start, image.end), end - start)


def linker_region(product: Product, component: Component, slot_name: str) -> str:
    """Return the MEMORY line of a GNU linker script for firmware in this slot."""
    start, end = _room(product, component, slot_name)
    return f"FLASH (rx) : ORIGIN = 0x{start:08x}, LENGTH = 0x{end - start:x}"


def _elsewhere(component: Component, start: int, product: Product) -> str | None:
    """Say whose slot an address is in, if it is another component's."""
    for other in product.components.values():
        slot = next((slot for slot in other.run if _holds(product, slot, start)), None)
        if slot is not None and other.name != component.name:
            return f"that is {slot} of {other.name}: is this {other.name}'s file?"
    return None


def _outside_hint(component: Component, start: int, end: int, product: Product) -> str:
    return _elsewhere(component, start, product) or (
        f"if this data belongs elsewhere, say so in the product file: [[component.{component.name}.outside]] "
        f'at = 0x{start:08x}, size = {end - start}, then drop = true or carry = "COMPONENT"'
    )
