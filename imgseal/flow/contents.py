"""Reads what a package brings by its own words; nothing is verified here."""

from collections.abc import Mapping

from imgseal.errors import InputError, Place, in_file
from imgseal.formats.log.proof import Head, read_head
from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
from imgseal.formats.sealed_image.statement import Statement
from imgseal.formats.suit.delivery import is_delivery
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.formats.suit.named_bill import witness_of
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.product.model import Product
from imgseal.records import NamedTuple

_PAYLOAD, _HEADER = ".payload", ".header"


class Image(NamedTuple):
    """A sealed image of a package: whose it is, its statement, and the bytes that lie in the run slot.

    `header` is the header block of a detached image, which lies in a slot of its own.
    """

    component: str
    slot: str
    statement: Statement
    content: memoryview
    header: memoryview | None = None


class Contents(NamedTuple):
    """A package's manifest digest, sequence number, release version where it says one, and images by run slot.

    `witness` is the head of the release log that it carries, where it carries one.
    """

    name: str
    manifest_digest: bytes
    sequence: int
    set_version: tuple[int, ...] | None
    images: Mapping[str, Image]
    witness: Head | None = None


def read_contents(data: bytes | memoryview, name: str, product: Product) -> Contents:
    """Read a package; InputError where it is none, or holds an image that this product does not have.

    Images are found by their own headers, wherever they lie in the envelope.
    """
    try:
        with in_file(name):
            envelope = decode_envelope(data)
            manifest = decode_manifest(envelope.manifest)
    except InputError as error:
        error.hint = "is it an update package (.suit)? imgseal check says more"
        raise
    if is_delivery(envelope):
        raise InputError(
            "a delivery has no images of its own: it makes them of what a device runs",
            place=Place(file=name),
            expected="an update package",
            found="a delivery",
            hint="name the package of its release",
        )
    images: dict[str, Image] = {}
    for key, payload in envelope.payloads.items():
        if key.endswith(_PAYLOAD):
            continue  # read with its header
        try:
            statement = decode_header_block(bytes(payload[:HEADER_BLOCK_MAX])).statement
        except SealedFormatError as error:
            raise InputError(
                f"the payload {key} is no sealed image: {error.message}",
                place=Place(file=name, key=key),
                expected=error.expected,
                found=error.found,
                hint="imgseal check says what is wrong with the package",
            ) from None
        body = envelope.payloads.get(key.removesuffix(_HEADER) + _PAYLOAD, payload) if statement.detached else payload
        image = _image(statement, body, name, key, product)
        images[image.slot] = image._replace(header=payload) if statement.detached else image
    head = read_head(witness_of(envelope) or "")
    return Contents(name, envelope.digest.value, manifest.sequence_number, manifest.set_version, images, head)


def _image(statement: Statement, body: memoryview, name: str, key: str, product: Product) -> Image:
    component = product.component(statement.component)
    slot = component and product.run_slot_at(component, statement.link_address - statement.payload_offset)
    if component is not None and slot is not None:
        return Image(component.name, slot.name, statement, body)
    raise InputError(
        "an image of the package belongs to no run slot of this product",
        place=Place(file=name, key=key),
        expected=", ".join(f"{c.number} ({c.name})" for c in product.components.values()),
        found=f"component {statement.component} at 0x{statement.link_address:08x}",
        hint="use the product file that the package was made with: --product FILE",
    )
