"""ELF executables for Arm: the loadable segments at their load (physical) addresses.

System V ABI, chapter 5 (program header); ELF for the Arm Architecture. Parsing is pyelftools'.
"""

from typing import TYPE_CHECKING, BinaryIO

from imgseal.errors import InputError, Place
from imgseal.limits import CHUNK
from imgseal.memory.builder import ImageBuilder
from imgseal.memory.image import MemoryImage
from imgseal.memory.store import ByteStore

if TYPE_CHECKING:
    from elftools.elf.elffile import ELFFile

__all__ = ["read_elf"]

_SEGMENTS = 1024


def read_elf(stream: BinaryIO, name: str, store: ByteStore | None = None) -> MemoryImage:
    """Read an executable; only the bytes in the file are data, what is zeroed at start (.bss) is not."""
    try:
        segments, entry = _segments(stream, name)
    except InputError:
        raise
    except Exception:  # noqa: BLE001 - pyelftools raises many kinds on damaged files
        raise InputError(
            "this ELF file is damaged", place=Place(file=name), hint="link the firmware again, or give its HEX file"
        ) from None
    builder = ImageBuilder(store, name)
    stream.seek(0, 2)
    end = stream.tell()
    for address, offset, size in sorted(segments):
        if offset + size > end:
            raise InputError(
                "a segment goes on behind the end of the file",
                place=Place(file=name, offset=offset, address=address),
                expected=f"{offset + size} bytes in the file",
                found=f"{end} bytes",
                hint="the file was cut off: link or copy it again",
            )
        stream.seek(offset)
        left = size
        while left:
            chunk = stream.read(min(CHUNK, left))
            if not chunk:
                raise InputError("the file ends inside a segment", place=Place(file=name, offset=offset))
            builder.add(address + size - left, chunk)
            left -= len(chunk)
    return builder.finish(start_address=entry)


def _segments(stream: BinaryIO, name: str) -> tuple[list[tuple[int, int, int]], int]:
    from elftools.elf.elffile import ELFFile  # noqa: PLC0415 - 60 ms, only for ELF

    elf = ELFFile(stream)
    _refuse_others(elf, name)
    if elf.num_segments() > _SEGMENTS:
        raise InputError(
            "more segments than any firmware", place=Place(file=name), expected=f"at most {_SEGMENTS}",
            found=str(elf.num_segments()),
        )  # fmt: skip
    found = []
    for segment in elf.iter_segments():
        if segment["p_type"] == "PT_LOAD" and segment["p_filesz"] > 0:
            found.append((segment["p_paddr"], segment["p_offset"], segment["p_filesz"]))
    if not found:
        raise InputError(
            "nothing in this ELF file is loaded", place=Place(file=name), expected="at least one segment of type PT_LOAD",
            hint="is it the linked executable?",
        )  # fmt: skip
    return found, elf["e_entry"]


def _refuse_others(elf: "ELFFile", name: str) -> None:
    for wanted, is_so, found in (
        ("a 32-bit file", elf.elfclass == 32, f"{elf.elfclass} bits"),
        ("a little-endian file", elf.little_endian, "big-endian"),
        ("a file for Arm (EM_ARM)", elf["e_machine"] == "EM_ARM", str(elf["e_machine"])),
        ("an executable (ET_EXEC)", elf["e_type"] == "ET_EXEC", str(elf["e_type"])),
    ):
        if not is_so:
            raise InputError(
                "this ELF file is of a kind that is not supported",
                place=Place(file=name),
                expected=wanted,
                found=found,
                hint="give the linked executable for the microcontroller, or its HEX file",
            )
