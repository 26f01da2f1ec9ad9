"""Opens artefacts to be judged; one in hex text is turned into its bytes first."""

from imgseal.check.judge import kind_of
from imgseal.errors import InputError, Place
from imgseal.limits import TEXT_ARTEFACT_BYTES
from imgseal.product.model import Product
from imgseal.window import ByteView
from imgseal.workspace.files import load_artefact


class ManyRegionsError(InputError):
    """Hex text with gaps: firmware, and no sealed image."""


def open_artefact(path: str, products: tuple[Product, ...] = ()) -> ByteView:
    """Read an artefact; one in hex text (as `seal --hex` writes) is turned into its bytes first.

    With `products`, InputError for a sealed image of one in hex text that lies where no slot begins that may hold it.
    """
    data = load_artefact(path)
    head = bytes(data.read(0, 512))
    if head[:1] not in (b":", b"S"):
        return data
    import io

    from imgseal.formats.source import read
    from imgseal.formats.source.detect import INTEL_HEX, S_RECORD, detect

    try:
        kind = detect(head, path)
    except InputError:
        return data  # the judge says that it is neither sealed nor packed
    if kind not in (INTEL_HEX, S_RECORD):
        return data
    if data.size > TEXT_ARTEFACT_BYTES:
        raise InputError(
            "this artefact in hex text is larger than imgseal judges",
            place=Place(file=path),
            expected=f"at most {TEXT_ARTEFACT_BYTES} bytes of text",
            found=f"{data.size} bytes",
            hint="judge its binary form",
        )
    image = read(io.BytesIO(data.read(0, data.size)), name=path)
    if len(image.regions) != 1:
        raise ManyRegionsError(
            "a sealed image in hex form is one region without gaps",
            place=Place(file=path),
            expected="1 region",
            found=f"{len(image.regions)} regions",
            hint="give the hex file that imgseal seal --hex wrote, or the binary form",
        )
    region = image.regions[0]
    data = ByteView(image.read(region.address, region.size))
    if products and kind_of(data) == "sealed image":
        from imgseal.flow.link_address import refuse_elsewhere

        refuse_elsewhere(data, region.address, products, path)
    return data
