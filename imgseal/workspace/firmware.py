"""Firmware arguments, `NAME=FILE` or `NAME=FILE@ADDRESS`, and reading what they name."""

import os
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from imgseal.errors import UsageError, meant
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.sealed_image.layout import MAGIC
from imgseal.formats.source import read
from imgseal.limits import FIRMWARE_BYTES, SBOM_BYTES
from imgseal.records import NamedTuple
from imgseal.workspace.files import load_artefact, open_input, read_bounded
from imgseal.workspace.progress import watch

if TYPE_CHECKING:
    from imgseal.formats.sbom.bill import Bill
    from imgseal.make.seal import SealedImage
    from imgseal.product.model import Component, Product

_IN_MEMORY = 8 << 20
"""Files above this size (in bytes) are kept in an unnamed temporary file while they are sealed."""


class Firmware(NamedTuple):
    """One firmware argument: the component's name, the file, and the address of a flat binary."""

    component: str
    path: str
    base: int | None


class Aimed(NamedTuple):
    """A firmware argument, and the product and variant that it is for; None for the only one, and for every one."""

    product: str | None
    variant: str | None
    argument: str


def aim(argument: str) -> Aimed:
    """Take `pump/rev1:motor=app.hex` apart: product, variant, and what is left."""
    name, equals, rest = argument.partition("=")
    if not equals:
        return Aimed(None, None, argument)
    product, slash, name = name.rpartition("/")
    variant, colon, name = name.rpartition(":")
    return Aimed(product if slash else None, variant if colon else None, f"{name}={rest}")


def firmware_for(product: "Product", aimed: Sequence[Aimed]) -> list[Firmware]:
    """Return the firmware of a product or variant: a file for the variant replaces those of its component for all."""
    own = [parse_firmware(each.argument, product) for each in aimed if each.variant == product.variant is not None]
    named = {each.component for each in own}
    shared = [parse_firmware(each.argument, product) for each in aimed if each.variant is None]
    return [*own, *(each for each in shared if each.component not in named)]


def parse_firmware(argument: str, product: "Product") -> Firmware:
    """Take `motor=app.hex` or `radio=radio.bin@0x60000` apart; UsageError says what is missing."""
    name, equals, rest = argument.partition("=")
    if not equals or not name or not rest:
        raise UsageError(
            "a firmware argument is NAME=FILE",
            expected=f"for example {next(iter(product.components))}=app.hex",
            found=argument,
            hint="name the component in front of the file",
        )
    component_of(product, name)
    path, base = split_address(rest)
    return Firmware(name, path, base)


def split_address(text: str) -> tuple[str, int | None]:
    """Take `FILE@ADDRESS` apart; a file whose own name holds an `@` is meant as it stands when it exists."""
    path, at, address = text.rpartition("@")
    if not at or os.path.exists(text):
        return text, None
    try:
        base = int(address, 0)
    except ValueError:
        raise UsageError(
            "the address behind @ is no number",
            expected=f"for example {path}@0x60000",
            found=address,
            hint="write it in decimal, or in hex with 0x",
        ) from None
    if not 0 <= base < 1 << 32:
        raise UsageError(
            "the address behind @ is outside 32 bits",
            found=address,
            hint="give the address of the first byte, 0 to 0xffffffff",
        )
    return path, base


def component_of(product: "Product", name: str) -> "Component":
    """Return the component of that name; UsageError lists the names there are."""
    if name not in product.components:
        raise UsageError(
            "the product file has no such component",
            expected=", ".join(product.components),
            found=name,
            hint=meant(name, product.components, "name a component of the product file"),
        )
    return product.components[name]


@contextmanager
def load_image(path: str, base: int | None, product: "Product | None" = None) -> Iterator[MemoryImage]:
    """Read a firmware file, as the product file says where there is one.

    The image is good inside the `with` block, where a large one lies in a temporary file.
    """
    after_end = "refuse" if product is None else product.after_end
    with ExitStack() as stack:
        stream = stack.enter_context(open_input(path, "firmware file", FIRMWARE_BYTES))
        size = os.fstat(stream.fileno()).st_size
        store = None
        if size > _IN_MEMORY:
            from tempfile import TemporaryFile

            from imgseal.formats.memory.store import ByteStore

            store = ByteStore(stack.enter_context(TemporaryFile()))
        watched = watch(stream, size, f"reading {path}")
        yield read(watched, name=path, base=base, store=store, after_end=after_end)


@contextmanager
def load_image_or_sealed(path: str, base: int | None, product: "Product") -> "Iterator[MemoryImage | SealedImage]":
    """Read a firmware file, or take over an image that is sealed already."""
    with open_input(path, "firmware file", FIRMWARE_BYTES) as stream:
        sealed = stream.read(len(MAGIC)) == MAGIC
    if sealed:
        if base is not None:
            raise UsageError(
                "a sealed image has its own address", found=f"{path}@0x{base:x}", hint="leave the address out"
            )
        yield load_sealed(path, product)
        return
    with load_image(path, base, product) as image:
        yield image


def load_sealed(path: str, product: "Product") -> "SealedImage":
    """Read a sealed image; the payload of a detached header lies beside it."""
    from imgseal.make.adopt import adopt

    payload = None
    folder, name = os.path.split(path)
    if ".header." in name:
        beside = os.path.join(folder, name.replace(".header.", ".payload."))
        if os.path.exists(beside):
            payload = load_artefact(beside)
    return adopt(load_artefact(path), product, path, payload)


def load_bill(path: str | None) -> "Bill | None":
    """Recognise a bill of materials; None where none is given."""
    if path is None:
        return None
    from imgseal.formats.sbom.bill import read_bill

    return read_bill(read_bounded(path, "bill of materials", SBOM_BYTES), path)
