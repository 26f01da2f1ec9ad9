"""Slots of the simulated flash: erased and written from their first byte, read back, copied; headers last.

An image that waits in a staging or keep slot is its header block followed by its payload. In a run slot an attached
image lies the same way; a detached one has its header block in the header slot.
"""

import hashlib
from functools import partial

from imgseal.formats.sealed_image.codec import HeaderBlock, SealedFormatError, decode_header_block
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.product.model import Component, Product
from imgseal.records import NamedTuple
from imgseal.rehearse.flash import Block, Flash, FlashReadError
from imgseal.window import Window


def statement_digest(header: bytes | memoryview) -> bytes:
    """Return the SHA-256 of the statement that a header block begins with: the name of an image in install records."""
    return hashlib.sha256(header[:STATEMENT_BYTES]).digest()


class Sealed(NamedTuple):
    """A sealed image in two pieces: header block and payload."""

    header: bytes
    payload: bytes

    @classmethod
    def split(cls, content: bytes | memoryview) -> "Sealed":
        """Take an attached image apart; its header reads."""
        size = decode_header_block(bytes(content[:HEADER_BLOCK_MAX])).statement.header_block
        return cls(bytes(content[:size]), bytes(content[size:]))

    @property
    def digest(self) -> bytes:
        """The statement's SHA-256."""
        return statement_digest(self.header)


class Slots:
    """What the bootloader and the installer do with whole slots."""

    def __init__(self, flash: Flash, product: Product, known: dict[object, HeaderBlock | None] | None = None) -> None:
        self._flash = flash
        self._product = product
        self._known = {} if known is None else known

    def blocks(self, name: str, length: int | None = None) -> tuple[Block | None, ...] | None:
        """Return the blocks of a slot's first `length` bytes, to tell whether they changed.

        None when one of them is not firm.
        """
        slot = self._product.slots[name]
        size = self._product.memories[slot.memory].erase_block
        first = slot.at // size
        last = first + -(-min(slot.size, length or slot.size) // size)
        memory, blocks = slot.memory, self._flash.blocks
        out = tuple([blocks.get((memory, number)) for number in range(first, last)])
        return None if any(block is not None and not block.firm for block in out) else out

    def view(self, name: str, size: int | None = None) -> Window:
        """Return a slot, or its beginning, as an artefact; every read goes to the flash, and may find it torn."""
        slot = self._product.slots[name]
        return Window(partial(self._flash.read, slot.memory), slot.at, slot.size if size is None else size)

    def erase(self, name: str) -> None:
        """Erase every block of a slot, the first one first: what had begun there is no image from then on."""
        slot = self._product.slots[name]
        for at in range(slot.at, slot.at + slot.size, self._product.memories[slot.memory].erase_block):
            self._flash.erase(slot.memory, at)

    def write(self, name: str, content: bytes, *, is_image: bool = True) -> None:
        """Program an erased slot; of an image the unit with the header's magic comes last."""
        slot = self._product.slots[name]
        memory = self._product.memories[slot.memory]
        unit = memory.write_unit
        padded = content.ljust(-(-len(content) // unit) * unit, bytes([memory.fill]))
        first = max(unit, 8) if is_image else 0
        self._flash.program_pages(slot.memory, slot.at + first, padded[first:])
        self._flash.program_pages(slot.memory, slot.at, padded[:first])

    def header(self, name: str) -> HeaderBlock | None:
        """Read the header at the start of a slot; None when there is none, or it cannot be read."""
        key = name, self.blocks(name, HEADER_BLOCK_MAX)
        if key[1] is None:
            return self._header(name)
        if key not in self._known:
            self._known[key] = self._header(name)
        return self._known[key]

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
            payload = self.view(name).read(start, said.payload_size)
        except (FlashReadError, SealedFormatError):
            return None
        whole = hashlib.sha256(payload).digest() == said.payload_digest
        return Sealed(head[: said.header_block], payload) if whole else None

    def read_again(self, name: str, image: Sealed) -> Sealed:
        """Read a waiting image once more, as a copy does that has no room for all of it; it may have changed.

        FlashReadError where the memory notices that it is torn.
        """
        view, size = self.view(name), len(image.header)
        return Sealed(view.read(0, size), view.read(size, len(image.payload)))

    def fill_waiting(self, name: str, image: Sealed) -> None:
        """Write an image into an erased staging or keep slot."""
        self.write(name, image.header + image.payload)

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
