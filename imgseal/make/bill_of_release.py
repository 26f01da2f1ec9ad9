"""Holds a bill of materials against the release that is to name it, where the product file demands one."""

from typing import NoReturn

from imgseal.errors import UsageError
from imgseal.formats.sbom.bill import Bill
from imgseal.product.model import Product
from imgseal.values import shown

_HINT = "make the bill again for this release; the tool that lists components has the product's name and version"


def refuse_unfit_bill(bill: Bill | None, product: Product) -> None:
    """UsageError for no bill, for one that lists nothing, and for that of another product or version."""
    if bill is None:
        message = "a release of this product names its bill of materials"
        _refuse(product, message, "CycloneDX or SPDX as JSON", "none", "add --sbom FILE")
    listed = bill.listed
    if listed is None or not listed.parts:
        _refuse(product, "this bill of materials lists no components", "at least one beside the product itself", "none")
    names = (product.name, product.class_name)
    version = str(product.release.version)
    expected = f"the bill of {' or '.join(dict.fromkeys(names))} {version}"
    said = ", ".join(shown(f"{name} {of}".rstrip()) for name, of in listed.products)
    mine = [of for name, of in listed.products if name.casefold() in {each.casefold() for each in names}]
    if not mine:
        what = "is of another product" if listed.products else "does not say which product it is of"
        _refuse(product, f"this bill of materials {what}", expected, said or "none")
    if not any(of.removeprefix("v") == version for of in mine):
        _refuse(product, "this bill of materials is of another version", expected, said)


def _refuse(product: Product, message: str, expected: str, found: str, hint: str = _HINT) -> NoReturn:
    raise UsageError(message, place=product.place("rules.sbom"), expected=expected, found=found, hint=hint)
