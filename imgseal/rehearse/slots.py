"""Slots of the simulated flash: erased and written from their first byte, read back, copied; headers last.

An image that waits in a staging or keep slot is its header block followed by its payload. In a run slot an attached
image lies the same way; a detached one has its header block in the header slot.
"""

import hashlib
from functools import partial
from itertools import pairwise

from imgseal.formats.sealed_image.codec import HeaderBlock, SealedFormatError, decode_header_block
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.formats.sealed_image.statement import Statement
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.product.model import Component, Memory, Product
from imgseal.records import NamedTuple
from imgseal.rehearse.flash import Flash, FlashReadError
from imgseal.window import Window


def statement_digest(header: bytes | memoryview) -> bytes:
    """Return the SHA-256 of the statement that a header block begins with: the name of an image in install records."""
    return hashlib.sha256(header[:STATEMENT_BYTES]).digest()


class Sealed(NamedTuple):
    """A sealed image in two pieces: header block and payload."""

    header: bytes
    payload: bytes

    @property
    def digest(self) -> bytes:
        """The statement's SHA-256."""
        return statement_digest(self.header)


class Remembered:
    """What was found out before about the same bytes, so that it is not found out again.

    Headers and whole images by where they lie and what lies there, the pages that an image is programmed in, and each
    image once, whoever has read it.
    """

    def __init__(self) -> None:
        self.headers: dict[object, HeaderBlock | None] = {}
        self.whole: dict[object, Sealed | None] = {}
        self.pages: dict[object, list[tuple[int, bytes]]] = {}
        self.images: dict[bytes, Sealed] = {}

    def sealed(self, header: bytes, payload: bytes | memoryview) -> Sealed:
        """Return an image of which the payload was found to belong to the header."""
        if header not in self.images:
            self.images[header] = Sealed(header, bytes(payload))
        return self.images[header]


class Slots:
    """What the bootloader and the installer do with whole slots."""

    def __init__(self, flash: Flash, product: Product, known: Remembered | None = None) -> None:
        self._flash = flash
        self._product = product
        self._known = known or Remembered()

    def blocks(self, name: str, length: int | None = None) -> int | None:
        """Return the number of what a slot's first `length` bytes hold, to tell whether it changed.

        None where not every read of its blocks gives the same.
        """
        slot = self._product.slots[name]
        where = slot.memory, slot.at, min(slot.size, length or slot.size)
        return self._flash.sum_of(*where) if self._flash.is_defined(*where) else None

    def view(self, name: str, size: int | None = None) -> Window:
        """Return a slot, or its beginning, as an artefact; every read goes to the flash, and may find it torn."""
        slot = self._product.slots[name]
        return Window(partial(self._flash.read, slot.memory), slot.at, slot.size if size is None else size)

    def erase(self, name: str) -> None:
        """Erase every block of a slot, the first one first: what had begun there is no image from then on."""
        slot = self._product.slots[name]
        for at in range(slot.at, slot.at + slot.size, self._product.memories[slot.memory].erase_block):
            self._flash.erase(slot.memory, at)

    def write(self, name: str, *pieces: bytes, is_image: bool = True) -> None:
        """Program an erased slot; of an image the unit with the header's magic comes last."""
        slot = self._product.slots[name]
        memory = self._product.memories[slot.memory]
        first = max(memory.write_unit, 8) if is_image else 0
        for at, data in self._pieces(memory, pieces, first):
            self._flash.program(slot.memory, slot.at + at, data)

    def _pieces(self, memory: Memory, pieces: tuple[bytes, ...], first: int) -> list[tuple[int, bytes]]:
        """Return what is programmed from the start of a slot, page by page; the same objects each time."""
        key = memory.name, pieces, first
        if key not in self._known.pages:
            content = b"".join(pieces)
            unit, page, size = memory.write_unit, memory.page, len(content)
            content = content.ljust(-(-size // unit) * unit, bytes([memory.fill]))
            ends = [first, *range(first - first % page + page, len(content), page), len(content)]
            parts = [(at, content[at:end]) for at, end in pairwise(ends)]
            self._known.pages[key] = [*parts, (0, content[:first])] if first else parts
        return self._known.pages[key]

    def header(self, name: str) -> HeaderBlock | None:
        """Read the header at the start of a slot; None when there is none, or it cannot be read."""
        key = name, self.blocks(name, HEADER_BLOCK_MAX)
        if key[1] is None:
            return self._header(name)
        if key not in self._known.headers:
            self._known.headers[key] = self._header(name)
        return self._known.headers[key]

    def _header(self, name: str) -> HeaderBlock | None:
        try:
            return decode_header_block(self.view(name).read(0, HEADER_BLOCK_MAX))
        except (FlashReadError, SealedFormatError):
            return None

    def run_header(self, component: Component, index: int) -> HeaderBlock | None:
        """Read the header of what a run slot holds."""
        return self.header((component.header or component.run)[index])

    def read_waiting(self, name: str, statement: bytes) -> Sealed | None:
        """Read the image that waits in a slot; None unless it is whole and the one with this statement digest."""
        return self._read(name, None, statement)

    def read_run(self, component: Component, index: int, statement: bytes) -> Sealed | None:
        """Read the image of a run slot; None unless it is whole and the one with this statement digest."""
        return self._read(component.run[index], component.header[index] if component.header else None, statement)

    def _read(self, name: str, header_name: str | None, statement: bytes) -> Sealed | None:
        try:
            head = self.view(header_name or name).read(0, HEADER_BLOCK_MAX)
            said = decode_header_block(head).statement
            start = 0 if header_name else said.header_block
            if statement_digest(head) != statement or start + said.payload_size > self._product.slots[name].size:
                return None
            return self._payload(name, start, said, head[: said.header_block])
        except (FlashReadError, SealedFormatError):
            return None

    def _payload(self, name: str, start: int, said: Statement, header: bytes) -> Sealed | None:
        """Read the payload that belongs to a header; None for another one."""
        slot = self._product.slots[name]
        number = self._flash.sum_of(slot.memory, slot.at + start, said.payload_size) if said.payload_size else None
        key = name, start, header, number
        if number is None or key not in self._known.whole:
            payload = self.view(name).read(start, said.payload_size)
            whole = hashlib.sha256(payload).digest() == said.payload_digest
            image = self._known.sealed(header, payload) if whole else None
            if number is None:
                return image
            self._known.whole[key] = image
        return self._known.whole[key]

    def read_again(self, name: str, image: Sealed) -> Sealed:
        """Read a waiting image once more, as a copy does that has no room for all of it; it may have changed.

        FlashReadError where the memory notices that it is torn.
        """
        view, size = self.view(name), len(image.header)
        return Sealed(view.read(0, size), view.read(size, len(image.payload)))

    def fill_waiting(self, name: str, image: Sealed) -> None:
        """Write an image into an erased staging or keep slot."""
        self.write(name, image.header, image.payload)

    def erase_run(self, component: Component, index: int) -> None:
        """Erase a run slot; of a detached image the header slot first."""
        if component.header:
            self.erase(component.header[index])
        self.erase(component.run[index])

    def fill_run(self, component: Component, index: int, image: Sealed) -> None:
        """Write an image into an erased run slot; the header comes last."""
        if component.header:
            self.write(component.run[index], image.payload, is_image=False)
            self.write(component.header[index], image.header)
        else:
            self.fill_waiting(component.run[index], image)
