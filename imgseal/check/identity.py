"""Identity of a sealed image: vendor, class, hardware, component, and agreement with the package around it.

RFC 9124 section 4.3.2 REQ.SEC.COMPATIBLE; identifiers say what fits, they prove nothing.
"""

from imgseal.check.context import Context, component_named
from imgseal.check.image import ImageSubject, in_statement
from imgseal.check.runner import NotRun
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.sealed_image.layout import CODE
from imgseal.product.model import Product

_ALONE = NotRun("there is no package around it", mandatory=False)


def vendor(subject: ImageSubject, context: Context) -> Finding | None:
    """The vendor identifier is the product's."""
    return other_vendor(context.product, subject.statement.vendor_id, in_statement("vendor_id"))


def device_class(subject: ImageSubject, context: Context) -> Finding | None:
    """The class identifier is the product's, or that of the variant asked for."""
    return other_class(context.product, subject.statement.class_id, in_statement("class_id"))


def other_vendor(product: Product, found: bytes, place: Place) -> Finding | None:
    """Say that an image, a package or a trust anchor set is for another vendor's devices, if it is."""
    if found == product.vendor_id:
        return None
    return Finding(
        "identity.wrong-vendor",
        "made for another vendor's devices",
        place,
        expected=f"{product.vendor_id.hex()} ({product.vendor})",
        found=found.hex(),
        hint="use the product file that it was made with: --product FILE",
    )


def other_class(product: Product, found: bytes, place: Place) -> Finding | None:
    """Say that something is for another class, if it is, and for which variant if it is one of the product's."""
    if found == product.class_id:
        return None
    hint = "it belongs into another device; send the one for this class"
    for name, class_id in product.variant_class_ids().items():
        if class_id == found:
            hint = f"it is made for the variant {name!r}; judge it with: imgseal check --variant {name}"
    return Finding(
        "identity.wrong-class",
        "made for another class of devices",
        place,
        expected=f"{product.class_id.hex()} ({product.class_name})",
        found=found.hex(),
        hint=hint,
    )


def hardware(subject: ImageSubject, context: Context) -> Finding | None:
    """The device's hardware revision, or each one of the product's where no device is given, takes the image."""
    least, most = subject.statement.hardware
    revision = context.state.hardware
    wanted = context.product.hardware if revision is None else (revision, revision)
    if least <= wanted[0] and wanted[1] <= most:
        return None
    return Finding(
        "identity.wrong-hardware",
        "made for other hardware revisions",
        in_statement("hardware_least"),
        expected=f"revision {wanted[0]}" if wanted[0] == wanted[1] else f"revisions {wanted[0]} to {wanted[1]}",
        found=f"revisions {least} to {most}",
        hint="seal it with the right product.hardware, or judge for one device: imgseal check --device FILE",
    )


def component(subject: ImageSubject, context: Context) -> Finding | None:
    """The product has the component, and agrees whether it is code or data."""
    statement = subject.statement
    known = subject.component(context.product)
    if known is None:
        names = ", ".join(f"{c.number} ({c.name})" for c in context.product.components.values())
        return Finding(
            "identity.unknown-component",
            "the product has no such component",
            in_statement("component_number"),
            expected=names,
            found=str(statement.component),
            hint="use the product file that the image was made with: --product FILE",
        )
    if (statement.kind == CODE) != (known.kind == "code"):
        return Finding(
            "identity.wrong-kind",
            f"{known.name} is {known.kind} in this product",
            in_statement("component_kind"),
            expected=known.kind,
            found="code" if statement.kind == CODE else "data",
            hint="seal it again with this product file",
        )
    return None


def layers(subject: ImageSubject, context: Context) -> list[Finding] | NotRun:
    """Manifest and sealed image say the same of component, slot, class, size and version."""
    expected = context.expected
    if expected is None:
        return _ALONE
    statement, place = subject.statement, subject.slot(context.product)
    pairs: list[tuple[str, object, object]] = [
        ("component", expected.component, statement.component),
        ("vendor identifier", expected.vendor_id, statement.vendor_id),
        ("class identifier", expected.class_id, statement.class_id),
        ("version", expected.version, statement.version),
        ("size", expected.size, None if statement.detached else subject.data.size),
        ("run slot", expected.slot, "none" if place is None else place.number),
    ]
    return [
        Finding(
            "identity.layers-disagree",
            f"the manifest and the sealed image name different values for the {what}",
            Place(key=what),
            expected=f"{_words(said)} (manifest)",
            found=f"{_words(is_)} (sealed image of {component_named(context.product, statement.component)})",
            hint="pack the images again: imgseal build",
        )
        for what, said, is_ in pairs
        if said is not None and is_ is not None and said != is_
    ]


def _words(value: object) -> str:
    return value.hex() if isinstance(value, bytes) else str(value)
