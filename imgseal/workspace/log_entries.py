"""What goes into entries of the release log: how devices are laid out, whom they trust, what is in a package."""

import hashlib
from collections.abc import Iterable

from imgseal.formats.install_record.layout import FORMAT as RECORDS
from imgseal.formats.log.entry import RECOVERY, Anchors, LoggedImage, LoggedPackage
from imgseal.formats.log.layout import LaidComponent, LaidSlot, Layout
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.keys.signer import Signer
from imgseal.make.pack import Package
from imgseal.make.seal import SealedImage, ordered_signers
from imgseal.product.model import Product, Slot
from imgseal.workspace.project import Project


def layout_of(product: Product) -> Layout:
    """Return what no update can change of a device: components, slots, link addresses, the format of its records."""
    components = tuple(
        LaidComponent(
            part.number,
            part.name,
            part.kind,
            part.core,
            part.header_block,
            tuple((name, product.slot_base(name) + part.payload_offset) for name in part.run),
            part.header,
            part.staging or "",
            part.keep or "",
        )
        for part in sorted(product.components.values(), key=lambda part: part.number)
    )
    slots = tuple(
        LaidSlot(
            name,
            slot.memory,
            product.memories[slot.memory].base,
            product.slot_base(name),
            slot.size,
            slot.holds or "",
        )
        for name, slot in sorted(product.slots.items())
    )
    words = product.class_name
    fits = words.isascii() and words.isprintable() and not set(words) & {'"', "\\"}
    return Layout(
        words if fits else "",
        product.layout.revision,
        RECORDS,
        components,
        slots,
        product.layout.bootloader,
        product.hardware,
    )


def laid_out_as(product: Product, layout: Layout) -> Product | None:
    """Return a product as devices have it that are laid out so; None where it lacks a memory or component of them.

    What a layout does not say, such as erase times, limits of keys and rules, is today's.
    """
    if layout == layout_of(product)._replace(hardware=layout.hardware):
        return product
    parts = {part.number: part for part in product.components.values()}
    bases = {slot.memory: slot.base for slot in layout.slots}
    if not {part.number for part in layout.components} <= set(parts) or not set(bases) <= set(product.memories):
        return None
    components = (
        parts[laid.number]._replace(
            kind=laid.kind,
            core=laid.core,
            header_block=laid.header_block,
            run=tuple(name for name, _ in laid.run),
            header=laid.header,
            staging=laid.staging or None,
            keep=laid.keep or None,
        )
        for laid in layout.components
    )
    slots = (
        Slot(laid.name, laid.memory, laid.address - laid.base, laid.size, laid.holds or None) for laid in layout.slots
    )
    return product._replace(
        memories={
            name: memory._replace(base=bases.get(name, memory.base)) for name, memory in product.memories.items()
        },
        slots={
            slot.name: slot._replace(write_protected=product.slots[slot.name].write_protected)
            if slot.name in product.slots
            else slot
            for slot in slots
        },
        components={part.name: part for part in components},
    )


def anchors_of(project: Project) -> Anchors:
    """Return the trust anchors that the product file has."""
    trust = project.trust()
    keys = [key for key in trust.keys if not key.development]
    images, packages = (
        tuple(sorted({key.key_id for key in keys if key.role == role})) for role in ("images", "packages")
    )
    apex, contingency = (b"" if key is None else key.key_id for key in (trust.apex, trust.contingency))
    return Anchors(images, packages, trust.need_images, trust.need_packages, apex, contingency)


def variant_of(product: Product, components: Iterable[str]) -> str:
    """Return the variant of a package as the log has it, by the names of the components that it has images of."""
    alone = all(product.components[name].recovery for name in components)
    return (product.variant or "") + (RECOVERY if alone else "")


def logged_images(images: tuple[SealedImage, ...]) -> tuple[LoggedImage, ...]:
    """Return sealed images as the log has them."""
    return tuple(
        LoggedImage(
            image.placed.component.number,
            image.placed.component.name,
            image.placed.slot.name,
            image.statement.version,
            image.statement.counter,
            hashlib.sha256(image.header_block[:STATEMENT_BYTES]).digest(),
            tuple(slot.key_id for slot in image.statement.signatures),
        )
        for image in images
    )


def logged_package(product: Product, package: Package, signers: tuple[Signer, ...]) -> LoggedPackage:
    """Return a package as the log has it."""
    keys = tuple(signer.public.key_id for signer in ordered_signers(signers, product, development=False))
    images = logged_images(package.images)
    return LoggedPackage(
        variant_of(product, (image.name for image in images)),
        product.class_id,
        package.digest.value,
        keys,
        images,
        layout_of(product),
    )
