"""What `imgseal factory` merges: sealed images, the install record, trust anchors, bootloader and configuration."""

from collections.abc import Mapping

from imgseal.device_state.device import DeviceState
from imgseal.errors import Place, UsageError
from imgseal.factory.merge import Part
from imgseal.flow.contents import Image
from imgseal.formats.install_record.record import first_record, place_content
from imgseal.formats.trust_anchors.codec import flash_block
from imgseal.product.model import Product
from imgseal.workspace.firmware import load_image
from imgseal.workspace.project import Project


def image_parts(product: Product, images: Mapping[str, Image], path: str) -> list[Part]:
    """Return the sealed images in their slots; `path` is the package that they are from, for messages."""
    parts = []
    for name, image in images.items():
        component = product.components[name]
        version = image.statement.version
        base = product.slot_base(image.slot)
        parts.append(Part(f"{name} {version} in {image.slot}", image.slot, base, bytes(image.content), path))
        if image.header is not None:
            slot = component.header[component.run.index(image.slot)]
            parts.append(Part(f"header of {name} in {slot}", slot, product.slot_base(slot), bytes(image.header), path))
    return parts


def anchor_block(project: Project, *, development: bool) -> bytes:
    """Return the block of trust anchors; empty where no slot holds them."""
    from imgseal.keys.anchor_set import anchor_set

    if project.product.slot_holding("anchors") is None:
        return b""
    return flash_block(anchor_set(project.trust(), project.product, development=development))


def own_parts(project: Project, state: DeviceState, block: bytes) -> list[Part]:
    """Return the install record of the first set, and the trust anchors where a slot holds them."""
    product = project.product
    slot = product.slot_holding("records")
    assert slot is not None
    record = first_record(state.current, state.sequence, state.manifest_digest)
    data = place_content(record, product.numbers, product.memories[slot.memory].write_unit)
    parts = [Part("install record", slot.name, product.slot_base(slot.name), data, project.path)]
    slot = product.slot_holding("anchors")
    if slot is not None:
        parts.append(Part("trust anchors", slot.name, product.slot_base(slot.name), block, project.path))
    return parts


def configured_parts(project: Project) -> list[Part]:
    """Read what [factory] names: the bootloader and the configuration ranges."""
    product, factory = project.product, project.product.factory
    slot = product.slot_holding("bootloader")
    parts = []
    if slot is not None and factory.bootloader is None:
        raise UsageError(
            "the product file names no bootloader to program",
            place=Place(file=project.path, key="factory.bootloader"),
            expected=f"a firmware file for slot.{slot.name}",
            found="nothing",
            hint='add [factory] bootloader = "FILE" to the product file',
        )
    wanted = [(factory.bootloader, None, "bootloader", slot.name if slot else None)] if factory.bootloader else []
    named = [(entry.file, entry.at, entry.what, None) for entry in factory.ranges]
    for file, base, what, slot_name in [*wanted, *named]:
        path = project.resolve(file)
        with load_image(path, base) as image:
            parts += [
                Part(what, slot_name, region.address, image.read(region.address, region.size), path)
                for region in image.regions
            ]
    return parts
