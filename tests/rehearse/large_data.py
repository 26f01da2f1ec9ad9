"""A product with a data component as large as asked for, its first release on a fresh device, and its update."""

import functools
import random

from stages import files, installed, newer, text_of
from workshop import make

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.flow.release import FirmwareFile
from imgseal.formats.memory.image import MemoryImage
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.rehearse.life import Stage
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

_NOR = 'size = "64 KiB"\nerase_block = "4 KiB"\npage = 4096'
_SLOT = "at = 0x1000\nsize = 4096"


def product_text(size: int, block: int = 65536) -> str:
    """The small product with data in the NOR, with pages of 256 bytes there and room for so many bytes."""
    text = text_of("data in the NOR")
    assert _NOR in text
    assert _SLOT in text
    text = text.replace(_NOR, f'size = "128 MiB"\nerase_block = {block}\npage = 256')
    return text.replace(_SLOT, f"at = 0x100000\nsize = {-(-size // block) * block + block}")


def firmware(of: Product, mark: str, size: int) -> list[FirmwareFile]:
    """Small code, and random bytes for the data."""
    out = []
    for file in files(of, mark):
        if file.component == "phrases":
            data = random.Random(mark).randbytes(size)
            link = of.slot_base("phrases") + of.components["phrases"].header_block
            out.append(file._replace(content=MemoryImage.from_bytes(link, data)))
        else:
            out.append(file)
    return out


@functools.cache
def first_release(size: int, block: int = 65536) -> tuple[Stage, ByteView]:
    """A device without firmware, and its first package."""
    of = read(product_text(size, block), name="imgseal.toml")
    shop = make(of, files=firmware(of, "one", size))
    package = ByteView(shop.package)
    return set_up(Context(of, shop.trust, fresh(of)._replace(fresh=False, hardware=1), {}), package), package


@functools.cache
def update(size: int, block: int = 65536) -> tuple[Stage, ByteView]:
    """A device that runs the first release, and a package that changes all of it."""
    text = product_text(size, block)
    of = read(text, name="imgseal.toml")
    later = read(text, name="imgseal.toml", overrides={k.replace("__", "."): v for k, v in newer(of).items()})
    first, second = make(of, files=firmware(of, "one", size)), make(later, files=firmware(of, "two", size))
    state, contents = installed(of, first)
    package = ByteView(second.package)
    return set_up(Context(of, first.trust, state, contents), package), package
