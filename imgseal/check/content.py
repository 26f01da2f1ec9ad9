"""The payload: that it is the signed one, what a Cortex-M core finds in it, and what lies behind it in the slot.

Armv7-M Architecture Reference Manual B1.5 (vector table, initial stack pointer, reset vector, Thumb bit) and B3.2.5
(VTOR alignment: a power of two, at least the table's size, at least 128 bytes); the 256 bytes of Cortex-M0+ are from
memory.
"""

import hashlib
from collections.abc import Iterator

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject, in_statement
from imgseal.check.runner import NO_DUMP, Answer, NotRun
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.limits import CHUNK
from imgseal.product.cores import rams_of, vector_alignment
from imgseal.product.model import Component, Memory, Product
from imgseal.window import Bytes


def payload(subject: ImageSubject, _context: Context) -> Finding | None:
    """SHA-256 of exactly the announced bytes equals the signed digest; FIPS 180-4."""
    statement = subject.statement
    state = hashlib.sha256()
    for offset in range(0, statement.payload_size, CHUNK):
        state.update(subject.read_payload(offset, CHUNK))
    if state.digest() == statement.payload_digest:
        return None
    return Finding(
        "digest.payload",
        "the payload is not the one that was signed",
        in_statement("payload_digest"),
        expected=statement.payload_digest.hex(),
        found=state.hexdigest(),
        hint="the file was changed or damaged after sealing: build it again, or copy it again",
    )


_NO_VECTORS = NotRun("data has no vector table", mandatory=False)


def vectors(subject: ImageSubject, context: Context) -> Answer:
    """Vector table aligned and inside the payload, stack pointer in RAM, reset vector in the payload with Thumb bit."""
    component = subject.component(context.product)
    if component is None or component.kind != "code":
        return _NO_VECTORS
    return _vectors(subject, context, component)


def _vectors(subject: ImageSubject, context: Context, component: Component) -> Iterator[Finding]:
    statement = subject.statement
    entry = statement.entry_offset
    table = statement.link_address + entry
    alignment = vector_alignment(component.core, component.vectors)
    if table % alignment and not (component.core == "cortex-m0" and statement.detached):
        yield Finding(
            "content.vector-table",
            f"{component.core} cannot take a vector table from this address",
            Place(offset=entry, address=table),
            expected=f"a multiple of {alignment} for {component.vectors} vectors",
            found=f"0x{table:08x}",
            hint="link the vector table to the start of the firmware, or raise header_block",
        )
    if entry + 4 * component.vectors > statement.payload_size:
        yield Finding(
            "content.vector-table",
            "the vector table ends outside the payload",
            Place(offset=entry, address=table),
            expected=f"{4 * component.vectors} bytes of vectors",
            found=f"{statement.payload_size - entry} bytes",
            hint=f"is component.{component.name}.vectors right?",
        )
        return
    words = subject.read_payload(entry, 8)
    stack, reset = int.from_bytes(words[:4], "little"), int.from_bytes(words[4:8], "little")
    rams = rams_of(context.product, component)
    if stack % 8 or not _ram_at(stack, rams):
        other = None if _ram_at(stack, rams) else _ram_at(stack, rams_of(context.product))
        yield Finding(
            "content.stack-pointer",
            "the core would start with a stack in the RAM of another core"
            if other
            else "the core would start with a stack outside RAM or not aligned",
            Place(offset=entry, address=table),
            expected="a multiple of 8 in "
            + " or ".join(f"0x{ram.base:08x}..0x{ram.base + ram.size:08x} ({ram.name})" for ram in rams),
            found=f"0x{stack:08x}" + (f", in {other.name}" if other else ""),
            hint=f"is it the firmware of another core? component.{component.name}.ram says where its stack lies"
            if other
            else "is this the vector table? the firmware file may be linked with something else in front of it",
        )
    if not reset & 1 or not statement.link_address <= reset - 1 < statement.link_address + statement.payload_size:
        yield Finding(
            "content.reset-vector",
            "the core would start outside the payload or not in Thumb state",
            Place(offset=entry + 4, address=table + 4),
            expected=f"an odd address in 0x{statement.link_address:08x}.."
            f"0x{statement.link_address + statement.payload_size:08x}",
            found=f"0x{reset:08x}",
            hint="link the firmware for this slot: imgseal show --linker",
        )


def rest(subject: ImageSubject, context: Context) -> Answer:
    """In a dump everything behind the payload is erased, and behind a detached header in its slot as well.

    RFC 9124 section 4.3.15 REQ.SEC.IMG.COMPLETE_DIGEST. In a staging or keep slot the payload lies behind the header.
    What nobody has programmed reads as the memory says; where that is anything, there is nothing to compare with.
    """
    where = subject.payload
    if context.slot is None or where is None:
        return NO_DUMP
    product, slot = context.product, context.slot
    statement, component = subject.statement, subject.component(product)
    data, start = where
    rests = [(data, start + statement.payload_size, f"the payload in {slot}", _memory(product, slot))]
    if statement.detached and component is not None and slot not in (component.staging, component.keep):
        header = component.header[component.run.index(slot)] if component.header and slot in component.run else slot
        rests.insert(0, (subject.data, statement.header_block, f"the header of {slot}", _memory(product, header)))
    if all(memory.erased is None for *_, memory in rests):
        return NotRun(f"memory.{rests[0][3].name} reads as anything where nothing is programmed", mandatory=False)
    looked = (_not_erased(data, at, what, memory.erased) for data, at, what, memory in rests)
    return [finding for finding in looked if finding is not None]


def _memory(product: Product, slot: str) -> Memory:
    return product.memories[product.slots[slot].memory]


def _ram_at(stack: int, rams: tuple[Memory, ...]) -> Memory | None:
    """Return the RAM that a stack begins in; it grows down, so the end of a RAM is in it."""
    return next((ram for ram in rams if ram.base < stack <= ram.base + ram.size), None)


def _not_erased(data: Bytes, position: int, what: str, erased: int | None) -> Finding | None:
    while erased is not None and position < data.size:
        piece = bytes(data.read(position, CHUNK))
        if piece.count(erased) != len(piece):
            wrong = next(i for i, byte in enumerate(piece) if byte != erased)
            return Finding(
                "content.rest-not-erased",
                f"something lies behind {what}",
                Place(offset=position + wrong),
                expected=f"0x{erased:02x} to the end of the slot",
                found=f"0x{piece[wrong]:02x}",
                hint="erase the slot and install the image again; find out who wrote there",
            )
        position += len(piece)
    return None
