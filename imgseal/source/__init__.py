"""Firmware files -> memory images: Intel HEX, Motorola S-records, ELF, flat binary."""

from typing import BinaryIO

from imgseal.errors import UsageError, Place
from imgseal.memory.image import MemoryImage
from imgseal.memory.store import ByteStore
from imgseal.source.detect import BINARY, ELF, HEAD_BYTES, INTEL_HEX, S_RECORD, detect

__all__ = ["BINARY", "ELF", "INTEL_HEX", "S_RECORD", "detect", "read"]


def read(stream: BinaryIO, *, name: str, base: int | None = None, store: ByteStore | None = None) -> MemoryImage:
    """Read a firmware file from a stream that can be positioned; the kind is detected from its bytes.

    `base` is the address of a flat binary and wrong for the others, which have their own. `store` is where the data
    goes. Raises InputError for what cannot be read, UsageError for an address that is missing or too much.
    """
    head = stream.read(HEAD_BYTES)
    stream.seek(0)
    kind = detect(head, name)
    if kind == BINARY and base is None:
        raise UsageError(
            "a flat binary does not say where it belongs",
            place=Place(file=name),
            expected="an address behind the file name",
            hint=f"for example {name}@0x60000; HEX, S-record and ELF files have their own addresses",
        )
    if kind != BINARY and base is not None:
        raise UsageError(
            "this file has its own addresses",
            place=Place(file=name),
            expected="no address behind the name",
            found=f"@0x{base:x}, and a file of kind {kind}",
        )
    if kind == INTEL_HEX:
        from imgseal.source.intel_hex import read_intel_hex

        return read_intel_hex(stream, name, store)
    if kind == S_RECORD:
        from imgseal.source.s_record import read_s_records

        return read_s_records(stream, name, store)
    if kind == ELF:
        from imgseal.source.elf import read_elf

        return read_elf(stream, name, store)
    from imgseal.source.raw import read_raw

    assert base is not None
    return read_raw(stream, name, base, store)
