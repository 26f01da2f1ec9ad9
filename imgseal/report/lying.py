"""What lies in which slot: the images that a package brings, and those that a device holds."""

from typing import TYPE_CHECKING

from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.product.model import Product
from imgseal.report.memory_map import Lying
from imgseal.sealed.codec import SealedFormatError, decode_header_block

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgseal.check.context import Bytes
    from imgseal.compare.contents import Contents

__all__ = ["lying_in"]


def lying_in(product: Product, contents: "Contents | None", held: "Mapping[str, Bytes]") -> dict[str, Lying]:
    """Return what lies in the slots by name; what a package brings stands over what was there."""
    out = {name: _held(product, data) for name, data in held.items() if data.size}
    if contents is None:
        return out
    for name, image in contents.images.items():
        component = product.components[image.component]
        out[name] = Lying(len(image.content), f"{image.component} {image.statement.version}", new=True)
        if image.header is not None and component.header:
            slot = component.header[component.run.index(name)]
            out[slot] = Lying(len(image.header), f"header of {image.component}", new=True)
    return out


def _held(product: Product, data: "Bytes") -> Lying:
    try:
        statement = decode_header_block(bytes(data.read(0, HEADER_BLOCK_MAX))).statement
    except SealedFormatError:
        return Lying(data.size, "other content", new=False)
    names = {component.number: component.name for component in product.components.values()}
    size = statement.header_block + (0 if statement.detached else statement.payload_size)
    name = names.get(statement.component, f"component {statement.component}")
    return Lying(min(size, data.size), f"{name} {statement.version}", new=False)
