"""What lies in which slot: the images that a package brings, and those that a device holds."""

from typing import TYPE_CHECKING

from imgseal.check.context import component_named
from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.product.model import Product
from imgseal.report.memory_map import Content, InSlot

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

    from imgseal.flow.contents import Contents
    from imgseal.formats.sealed_image.statement import Statement
    from imgseal.window import Bytes


def contents_of_slots(
    product: Product,
    contents: "Contents | None",
    held: "Mapping[str, Bytes]",
    installs: "Collection[str] | None" = None,
) -> dict[str, InSlot]:
    """Return what lies in the slots, by name.

    `installs` names the slots that the device would install to; None where no device is known, so that a package may
    be installed to every slot that it brings something for.
    """
    out = {name: InSlot(_held(product, name, held)) for name, data in held.items() if data.size}
    for name, words, data in () if contents is None else _brought(product, contents):
        holds = out.get(name, InSlot()).holds
        same = holds is not None and held[name].read(0, len(data)) == data
        out[name] = InSlot(holds, Content(len(data), words), None if installs is None else name in installs, same)
    return out


def _brought(product: Product, contents: "Contents") -> "Iterator[tuple[str, str, memoryview]]":
    for name, image in contents.images.items():
        component = product.components[image.component]
        yield name, f"{image.component} {image.statement.version}", image.content
        if image.header is not None and component.header:
            yield component.header[component.run.index(name)], f"header of {image.component}", image.header


def _held(product: Product, name: str, held: "Mapping[str, Bytes]") -> Content:
    """Read what a slot holds by its own header; a run slot of detached images by the one in its header slot."""
    data = held[name]
    header: Bytes | None = data
    headers = {run: beside for c in product.components.values() for run, beside in zip(c.run, c.header, strict=False)}
    if name in headers:
        header = held.get(headers[name])
    statement = None if header is None else _statement(header)
    if statement is None or (name in headers and not statement.detached):
        return Content(data.size, "other content")
    # a detached image lies in staging and keep slots as header block and payload, one behind the other
    size, words = statement.header_block + statement.payload_size, ""
    if name in headers:
        size = statement.payload_size
    elif name in headers.values() and statement.detached:
        size, words = statement.header_block, "header of "
    words += f"{component_named(product, statement.component)} {statement.version}"
    return Content(min(size, data.size), words)


def _statement(data: "Bytes") -> "Statement | None":
    try:
        return decode_header_block(bytes(data.read(0, HEADER_BLOCK_MAX))).statement
    except SealedFormatError:
        return None
