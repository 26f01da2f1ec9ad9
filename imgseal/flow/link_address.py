"""Refuses sealed images in Intel HEX or S-records that lie at another address than their slot: programmers go by it."""

from collections.abc import Iterable, Iterator

from imgseal.check.context import component_numbered
from imgseal.check.slots import slot_of
from imgseal.errors import InputError, Place
from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
from imgseal.formats.sealed_image.statement import Statement
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.product.model import Product
from imgseal.window import Bytes


def refuse_elsewhere(data: Bytes, address: int, products: Iterable[Product], name: str) -> None:
    """InputError for a sealed image that does not begin where a slot does that may hold it.

    Where a header cannot be read, or its class, component or link address are not the product's, the judge says so.
    """
    try:
        statement = decode_header_block(bytes(data.read(0, HEADER_BLOCK_MAX))).statement
    except SealedFormatError:
        return
    wanted: dict[str, None] = {}
    for product in products:
        if product.class_id != statement.class_id:
            continue
        for slot in _slots(product, statement):
            base = product.slot_base(slot)
            if base == address:
                return
            wanted[f"{slot} 0x{base:08x}"] = None
    if wanted:
        raise InputError(
            "this sealed image does not begin at the first address of a slot that may hold it",
            place=Place(file=name, address=address),
            expected=", ".join(wanted),
            found=f"0x{address:08x}",
            hint="a programmer would write it there: make it again with imgseal seal --hex, or give the binary form",
        )


def _slots(product: Product, statement: Statement) -> Iterator[str]:
    """Yield the slots that may hold what the statement speaks for: header slots hold detached headers."""
    component = component_numbered(product, statement.component)
    run = slot_of(product, component, statement)
    if component is None or run is None:
        return
    if statement.detached:
        yield from component.header[run.number : run.number + 1]
    else:
        yield from (name for name in (run.name, component.staging, component.keep) if name is not None)
