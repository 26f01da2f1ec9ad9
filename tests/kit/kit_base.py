"""What the kit's cases are made from: the good set of the kit's product, and ways to change one thing in it."""

import functools
from collections.abc import Callable
from pathlib import Path

from workshop import Workshop, make, private_key, resealed, signer

from imgseal.demo.firmware import code, phrases
from imgseal.flow.release import FirmwareFile
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.sealed_image.layout import field
from imgseal.product.model import Product
from imgseal.product.read_toml import read

HERE = Path(__file__).parent
KEYS = (
    "keys/images",
    "keys/radio-only",
    "keys/other-class",
    "keys/packages",
    "keys/other-packages",
    "keys-dev/images",
    "keys-dev/packages",
)
TEXT = (HERE / "kit_product.toml").read_text()
SECOND_TEXT = (HERE / "kit_two_algorithms.toml").read_text()
RAM_END = 0x2000_4000

PRINTED = 'images = ["keys-dev/images.pub.pem"]', 'images = ["keys-dev/images.pub.pem", "keys-dev/printed.pub.pem"]'
"""A development key that everybody has."""

ANCHORS = '[slot.anchors]\nmemory = "internal"\nat = 0xF000\nsize = "4 KiB"\nholds = "anchors"\n'
"""Room for two sets of trust anchors, in the products whose devices take others."""

VARIANTS: dict[str, Callable[[str], str]] = {
    "kit": lambda text: text,
    "kit-two-signers": lambda text: text.replace(
        '{ key = "keys/other-class.pub.pem", classes = ["kit-9"] }]', '"keys/second.pub.pem"]\nneed = 2'
    ),
    "kit-other-verifier": lambda text: text.replace("[rules]\n", '[rules]\nverifier = "one of their own"\n'),
    "kit-es256": lambda text: text.replace("[rules]\n", '[rules]\nalgorithms = ["ES256"]\n'),
    "kit-either-number": lambda text: text.replace("[rules]\n", '[rules]\nalgorithms = ["ES256", "ESP256"]\n'),
    "kit-two-packers": lambda text: text.replace(
        '{ key = "keys/other-packages.pub.pem", classes = ["kit-9"] }]', '"keys/second-packages.pub.pem"]\nneed = 2'
    ),
    "kit-outside": lambda text: (
        text.replace("[memory.nor]", "[memory.nor2]")
        .replace("[memory.internal]", "[memory.nor]")
        .replace("[memory.nor2]", "[memory.internal]")
    ),
    "kit-outside-accepted": lambda text: text.replace("[rules]\n", '[rules]\nexternal_code = "accept"\n'),
    "kit-dated": lambda text: (
        text.replace('"keys/images.pub.pem"', '{ key = "keys/images.pub.pem", from = 2026-03-01, until = 2027-02-28 }')
        .replace('"keys/packages.pub.pem"', '{ key = "keys/packages.pub.pem", from = 2026-03-01, until = 2027-02-28 }')
        .replace('components = ["radio"] }', 'components = ["radio"], until = 2027-02-28 }')
    ),
    "kit-example": lambda text: text.replace(*PRINTED),
    "kit-example-admitted": lambda text: text.replace(*PRINTED).replace(
        "[rules]\n", '[rules]\nexample_keys = "development"\n'
    ),
    "kit-apex": lambda text: text.replace("[component.app]", f"{ANCHORS}\n[component.app]", 1).replace(
        "[trust.images]",
        '[trust]\napex = "keys/apex.pub.pem"\ncontingency = "keys/contingency.pub.pem"\n\n[trust.images]',
    ),
    "kit-deliveries": lambda text: text.replace(
        "[trust.images]", '[trust]\ndeliveries = ["keys/deliveries.pub.pem"]\n\n[trust.images]'
    ),
    "kit-uncounted": lambda text: text.replace(
        "[trust.images]",
        '[trust]\nuncounted = ["keys/second-packages.pub.pem", "keys/packages-pq.pub.pem"]\n\n[trust.images]',
    ).replace("[rules]\n", '[rules]\nunverified = ["ES384"]\n'),
    "kit-two-algorithms": lambda _text: SECOND_TEXT,
    "kit-second-optional": lambda _text: SECOND_TEXT.replace("[rules]\n", '[rules]\nmust_verify = ["ESP256"]\n'),
}
"""Product -> how its text follows from the kit's."""


@functools.cache
def product(variant: str = "kit") -> Product:
    return read(text_of(variant), name=f"{variant}.toml")


def text_of(variant: str) -> str:
    if variant.startswith(
        "kit-outside"
    ):  # code in a memory that others can write, which the product file itself would refuse
        return (
            TEXT.replace("[rules]\n", '[rules]\nexternal_code = "accept"\n') if variant.endswith("accepted") else TEXT
        )
    text = VARIANTS[variant](TEXT)
    assert variant == "kit" or text != TEXT
    return text


def firmware(of: Product, sizes: dict[str, int] | None = None) -> list[FirmwareFile]:
    out = []
    for component in of.components.values():
        size = (sizes or {}).get(component.name, 300)
        for slot in component.run:
            link = of.slot_base(slot) + (0 if component.header else component.header_block)
            if component.kind == "code":
                data = code(component.name, link=link, size=size, vectors=16, stack=RAM_END)
            else:
                data = phrases(component.name, size)
            out.append(FirmwareFile(component.name, slot, MemoryImage.from_bytes(link, data)))
    return out


@functools.cache
def good() -> Workshop:
    """The released set, and a package of it; the component with the large header block is left out of that."""
    of = product()
    small = make(of, files=[f for f in firmware(of) if f.component != "large"])
    return small._replace(images={**small.images, **make(of, files=firmware(of)).images})


def image(slot: str) -> bytes:
    """A good sealed image; of the detached one its header block alone."""
    return good().images[slot]


def plain_payload() -> bytes:
    """What the detached header belongs to."""
    return code("plain", link=0x6000, size=300, vectors=16, stack=RAM_END)


def patched(slot: str, name: str, value: bytes, at: int = 0) -> bytes:
    """An image whose field is overwritten before it is signed."""
    start = field(name).offset + at

    def patch(raw: bytearray) -> None:
        raw[start : start + len(value)] = value

    return resealed(image(slot), patch=patch)


def u16(value: int) -> bytes:
    return value.to_bytes(2, "little")


def u32(value: int) -> bytes:
    return value.to_bytes(4, "little")


def signature_at(sealed: bytes, change: Callable[[bytes], bytes]) -> bytes:
    """An image whose first signature value is another one."""
    return sealed[:384] + change(sealed[384:448]) + sealed[448:]


def dump(slot: str, sealed: bytes, of: Product | None = None) -> bytes:
    """A whole slot with this at its start and the rest erased."""
    return sealed.ljust((of or product()).slots[slot].size, b"\xff")


__all__ = [
    "HERE", "KEYS", "RAM_END", "TEXT", "VARIANTS", "dump", "firmware", "good", "image", "patched", "plain_payload", "private_key",
    "product", "resealed", "signature_at", "signer", "text_of", "u16", "u32",
]  # fmt: skip
