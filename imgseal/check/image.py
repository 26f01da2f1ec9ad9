"""A sealed image as the judge sees it: bytes first, and values only as far as they could be read."""

from typing import TYPE_CHECKING

from imgseal.check.context import component_numbered
from imgseal.check.slots import RunSlot, slot_of
from imgseal.errors import Place
from imgseal.formats.sealed_image.codec import HeaderBlock, SealedFormatError, decode_header_block
from imgseal.formats.sealed_image.layout import field
from imgseal.formats.sealed_image.statement import Statement
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.window import Bytes

if TYPE_CHECKING:
    from imgseal.keys.trusted_keys import TrustedKey
    from imgseal.product.model import Component, Product


class ImageSubject:
    """One sealed image, detached header or slot dump under judgement.

    The header is copied out of the artefact once and parsed from that copy; `header` or `header_error` is set by then.
    `payload` is None until the placement of a detached payload is known to be wanted and was not given.
    """

    __slots__ = ("_placed", "candidates", "data", "header", "header_error", "payload_file", "statement")

    statement: Statement
    """The parsed statement; only for checks that need the structure check: without a header there is none."""

    def __init__(self, data: Bytes, payload_file: Bytes | None = None) -> None:
        self.data = data
        self.payload_file = payload_file
        self._placed: tuple[Product, Component | None, RunSlot | None] | None = None
        self.candidates: list[tuple[int, TrustedKey]] = []
        self.header: HeaderBlock | None = None
        self.header_error: SealedFormatError | None = None
        try:
            self.header = decode_header_block(bytes(data.read(0, HEADER_BLOCK_MAX)))
            self.statement = self.header.statement
        except SealedFormatError as error:
            self.header_error = error

    def component(self, product: "Product") -> "Component | None":
        """Return the component that the header names; None where the product has none of that number."""
        return self._place(product)[1]

    def slot(self, product: "Product") -> RunSlot | None:
        """Return the run slot whose payload address is the link address; None when there is none."""
        return self._place(product)[2]

    def _place(self, product: "Product") -> "tuple[Product, Component | None, RunSlot | None]":
        """Look it up once: nine checks ask, and the product is the same for all of them."""
        placed = self._placed
        if placed is None or placed[0] is not product:
            component = component_numbered(product, self.statement.component)
            placed = self._placed = product, component, slot_of(product, component, self.statement)
        return placed

    @property
    def payload(self) -> tuple[Bytes, int] | None:
        """Where the payload lies: the bytes and the offset in them; None when a detached payload was not given."""
        if not self.statement.detached:
            return self.data, self.statement.header_block
        return None if self.payload_file is None else (self.payload_file, 0)

    def read_payload(self, offset: int, length: int) -> bytes | memoryview:
        """Return a piece of the payload; shorter at its end."""
        where = self.payload
        assert where is not None
        data, start = where
        return data.read(start + offset, max(0, min(length, self.statement.payload_size - offset)))


def in_statement(name: str) -> Place:
    """Return the place of a field in the statement."""
    return Place(key=name, offset=field(name).offset)
