"""Takes an image that is sealed already into a release, byte for byte."""

from imgseal.errors import Place, UsageError, in_file
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block, encode_header_block
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.make.place import Payload, Placed
from imgseal.make.seal import SealedImage
from imgseal.product.model import Product
from imgseal.window import ByteView


def adopt(data: ByteView, product: Product, name: str, payload: ByteView | None = None) -> SealedImage:
    """Read a sealed image, or a detached header and its payload, as one of this product's images.

    Only what is needed to pack it is read here; whether it is good is the judge's question. Raises InputError where
    it is no sealed image, UsageError where the product has no such component or run slot.
    """
    raw = bytes(data.read(0, HEADER_BLOCK_MAX))
    try:
        with in_file(name):
            block = decode_header_block(raw)
    except SealedFormatError as error:
        error.hint = error.hint or (
            "give a sealed image in its binary form; firmware is sealed first: imgseal seal FILE --component NAME"
            if error.code == "structure.unrecognised"
            else "copy the file again, or seal it again"
        )
        raise
    statement = block.statement
    component = product.component(statement.component)
    if component is None:
        raise UsageError(
            "the product file has no component of this number",
            place=Place(file=name, key="component_number"),
            expected=", ".join(f"{c.number} ({c.name})" for c in product.components.values()),
            found=str(statement.component),
            hint="use the product file that the image was made with: --product FILE",
        )
    offset, address = statement.payload_offset, statement.link_address
    body = _payload(payload if statement.detached else data, offset, statement.payload_size, name)
    slot = product.run_slot_at(component, address - offset)
    if slot is None:
        raise UsageError(
            f"this image is linked for none of the run slots of {component.name}",
            place=Place(file=name, key="link_address"),
            expected=" or ".join(f"0x{product.slot_base(s) + offset:08x} ({s})" for s in component.run),
            found=f"0x{address:08x}",
            hint="seal it again with this product file",
        )
    content = Payload(MemoryImage.from_bytes(address, body), address, address + len(body))
    index = component.run.index(slot.name)
    placed = Placed(component, slot, index, address, statement.entry_offset, content, slot.size - offset)
    return SealedImage(placed, statement, encode_header_block(statement, block.signatures), content)


def _payload(source: ByteView | None, offset: int, size: int, name: str) -> bytes:
    """Return the payload, which begins at `offset`; UsageError unless the file ends where it does."""
    if source is None:
        raise UsageError(
            "a detached header without its payload",
            place=Place(file=name),
            hint="put its payload beside it, under the same name with .payload. in place of .header.",
        )
    if source.size != offset + size:
        raise UsageError(
            "the file does not hold exactly one sealed image",
            place=Place(file=name),
            expected=f"{offset + size} bytes",
            found=f"{source.size} bytes",
            hint="copy the file again, or seal it again",
        )
    return bytes(source.read(offset, size))
