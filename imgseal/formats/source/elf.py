"""ELF executables for Arm: what the segments load, at their load (physical) addresses.

System V ABI, chapters 4 (sections) and 5 (program header); ELF for the Arm Architecture. Structures are pyelftools's.
Linkers often let the first segment begin with the ELF file's own headers. So where there are section headers, only
the bytes of allocated sections count, as they do for objcopy.
"""

from typing import Any, BinaryIO

from imgseal.errors import InputError, Place, in_file
from imgseal.formats.memory.builder import ImageBuilder
from imgseal.formats.memory.image import BuiltFor, MemoryImage
from imgseal.formats.memory.spans import Region, contains
from imgseal.formats.memory.store import ByteStore
from imgseal.formats.source.arm_attributes import SECTION_BYTES, SECTION_TYPE, built_for
from imgseal.limits import CHUNK, IMAGE_BYTES
from imgseal.records import NamedTuple

_HEADER_BYTES = 52
_HEADERS = 4096
"""Segments, and sections; linked firmware has a few dozen."""

_PAIRS = 1 << 18
"""Segments that are loaded by sections that are; a few hundred pairs in linked firmware."""

_EMPTY = ("SHT_NOBITS", "SHT_NULL")
"""Sections without bytes in the file."""

_HINT = "link the firmware again, or give its HEX file"


class _Part(NamedTuple):
    """Bytes of the file that are loaded at an address; the order is that of addresses."""

    address: int
    offset: int
    size: int


def read_elf(stream: BinaryIO, name: str, store: ByteStore | None = None, *, alone: bool = False) -> MemoryImage:
    """Read an executable; only the bytes in the file are data, what is zeroed at start (.bss) is not.

    Raises InputError for other kinds of ELF file, for damaged and cut off ones, and for one that loads nothing; with
    `alone` also for one with anything but zeros behind its last segment, section or table.
    """
    with in_file(name):
        return _read(stream, ImageBuilder(store), alone=alone)


def _read(stream: BinaryIO, builder: ImageBuilder, *, alone: bool) -> MemoryImage:
    size = stream.seek(0, 2)
    header, segments, sections = _tables(stream, size)
    if alone:
        _refuse_more(stream, header, segments, sections)
    loaded_sections = [section for section in sections if _is_loaded(section)]
    loads = [each for each in enumerate(segments) if each[1]["p_type"] == "PT_LOAD" and each[1]["p_filesz"]]
    if len(loads) * len(loaded_sections) > _PAIRS:  # more than can be held against each other in a moment
        raise _unfit(
            "this ELF file loads more segments and sections than any firmware",
            f"at most {_PAIRS}, one multiplied by the other",
            f"{len(loads)} segments and {len(loaded_sections)} sections",
        )
    parts: list[_Part] = []
    for index, segment in loads:
        parts += _parts(size, index, segment, loaded_sections)
    _refuse_lost(loaded_sections, parts)
    whole = sum(part.size for part in parts)
    if whole > IMAGE_BYTES:  # parts may load the same bytes again and again
        most = f"at most {IMAGE_BYTES} bytes in all segments"
        raise _unfit("this ELF file loads more than imgseal reads", most, f"{whole} bytes")
    if not parts:
        raise _unfit(
            "nothing in this ELF file is loaded",
            "at least one segment of type PT_LOAD with bytes in the file",
            f"{len(segments)} segments",
            "is it the linked executable, and not a file of debugging information?",
        )
    for part in sorted(parts):
        stream.seek(part.offset)
        for done in range(0, part.size, CHUNK):
            count = min(CHUNK, part.size - done)
            data = stream.read(count)
            if len(data) != count:
                raise _cut_off(part.offset + part.size, part.offset + done + len(data))
            builder.add(part.address + done, data)
    # System V ABI, chapter 4: an entry of zero means that the file has none
    return builder.finish(start_address=header["e_entry"] or None, built_for=_built_for(stream, sections))


def _built_for(stream: BinaryIO, sections: list[Any]) -> BuiltFor | None:
    for section in sections:
        if section["sh_type"] == SECTION_TYPE and section["sh_size"] <= SECTION_BYTES:
            stream.seek(section["sh_offset"])
            return built_for(stream.read(section["sh_size"]))
    return None


def _tables(stream: BinaryIO, size: int) -> tuple[Any, list[Any], list[Any]]:
    """Return the ELF header, the program headers and the section headers, and nothing that they point to."""
    from elftools.common.exceptions import ELFError  # noqa: PLC0415 - 40 ms, only for ELF
    from elftools.common.utils import struct_parse  # noqa: PLC0415
    from elftools.elf.structs import ELFStructs  # noqa: PLC0415

    stream.seek(0)
    ident = stream.read(_HEADER_BYTES)
    if len(ident) < _HEADER_BYTES:
        raise _cut_off(_HEADER_BYTES, len(ident))
    if not ident.startswith(b"\x7fELF"):
        raise _unfit(
            "this is no ELF file", "7F 45 4C 46", ident[:4].hex(" ").upper(), "is it the right file?", offset=0
        )
    _refuse_others(ident)
    structs = ELFStructs(little_endian=True, elfclass=32)
    structs.create_basic_structs()
    try:
        header = struct_parse(structs.Elf_Ehdr, stream, 0)
        structs.create_advanced_structs(header["e_type"], header["e_machine"], header["e_ident"]["EI_OSABI"])
        tables = []
        for what, struct in (("ph", structs.Elf_Phdr), ("sh", structs.Elf_Shdr)):
            first, count, entry = (header[f"e_{what}{field}"] for field in ("off", "num", "entsize"))
            _check_table("program" if what == "ph" else "section", count, entry, struct.sizeof())
            if first + count * entry > size:
                raise _cut_off(first + count * entry, size)
            tables.append([struct_parse(struct, stream, first + index * entry) for index in range(count)])
    except (ELFError, ValueError, KeyError, OverflowError) as error:
        raise _unfit(
            "this ELF file is damaged", "headers as in the System V ABI", str(error) or type(error).__name__
        ) from None
    return header, tables[0], tables[1]


def _check_table(what: str, count: int, entry: int, wanted: int) -> None:
    if count and entry != wanted:
        raise _unfit(f"the {what} headers of this ELF file have a wrong size", f"{wanted} bytes", f"{entry} bytes")
    if count > _HEADERS:
        raise _unfit(f"this ELF file has more {what} headers than any firmware", f"at most {_HEADERS}", str(count))


def _parts(size: int, index: int, segment: Any, sections: list[Any]) -> list[_Part]:
    """Return what one segment loads."""
    inside = Region(segment["p_offset"], segment["p_filesz"])
    if inside.end > size:
        raise _cut_off(inside.end, size)
    if segment["p_memsz"] < segment["p_filesz"]:
        raise _unfit(
            "a segment of this ELF file has more bytes in the file than in memory",
            f"at most {segment['p_memsz']} bytes",
            f"{segment['p_filesz']} bytes",
            key=f"segment {index}",
            address=segment["p_paddr"],
        )
    move = segment["p_paddr"] - inside.address
    loaded = [
        _Part(section["sh_offset"] + move, section["sh_offset"], section["sh_size"])
        for section in sections
        if contains(inside, Region(section["sh_offset"], section["sh_size"]))
    ]
    if loaded:
        return loaded
    if inside.address < _HEADER_BYTES:
        if sections:
            return []  # a segment that holds the file's headers only
        raise _unfit(
            "a segment of this ELF file begins with the file's headers, and no section says where the firmware begins",
            "section headers, or a segment without the file's headers",
            "no section headers",
            "give the file as the linker wrote it, not stripped of its section headers",
            key=f"segment {index}",
            address=segment["p_paddr"],
        )
    return [_Part(segment["p_paddr"], inside.address, inside.size)]


def _refuse_more(stream: BinaryIO, header: Any, segments: list[Any], sections: list[Any]) -> None:
    """Refuse what lies behind the last thing that the file itself knows of; zeros fill a file up."""
    end = max(
        _HEADER_BYTES,
        header["e_phoff"] + header["e_phnum"] * header["e_phentsize"],
        header["e_shoff"] + header["e_shnum"] * header["e_shentsize"],
        *(segment["p_offset"] + segment["p_filesz"] for segment in segments),
        *(section["sh_offset"] + section["sh_size"] for section in sections if section["sh_type"] not in _EMPTY),
    )
    stream.seek(end)
    at = end
    while piece := stream.read(CHUNK):
        left = piece.lstrip(b"\0")
        if left:
            raise _unfit(
                "something follows the end of this ELF file",
                f"nothing behind offset {end}, where its last segment, section or table ends",
                left[:16].hex(" ").upper(),
                "link it again, or remove what was appended to it",
                offset=at + len(piece) - len(left),
            )
        at += len(piece)


def _is_loaded(section: Any) -> bool:
    shf_alloc = 2
    return bool(section["sh_flags"] & shf_alloc and section["sh_type"] not in _EMPTY and section["sh_size"])


def _refuse_lost(sections: list[Any], parts: list[_Part]) -> None:
    """Refuse a section that is meant to be loaded and is in no segment: its bytes would be lost silently."""
    offsets = {part.offset for part in parts}
    for section in sections:
        if section["sh_offset"] not in offsets:
            raise _unfit(
                "a section of this ELF file is to be loaded, but lies in no segment",
                "a segment of type PT_LOAD that holds it",
                f"{section['sh_size']} bytes in none",
                "check the PHDRS command of the linker script",
                address=section["sh_addr"],
                offset=section["sh_offset"],
            )


def _refuse_others(ident: bytes) -> None:
    """Refuse by name what is no 32-bit little-endian Arm executable; offsets are those of the ELF header."""
    types = {
        1: "a relocatable object (.o): it is not linked yet",
        3: "a shared object or position-independent executable",
        4: "a core dump",
    }
    machine, type_ = int.from_bytes(ident[18:20], "little"), int.from_bytes(ident[16:18], "little")
    for wanted, holds, found in (
        ("a 32-bit file", ident[4] == 1, "64-bit" if ident[4] == 2 else f"class {ident[4]}"),
        ("a little-endian file", ident[5] == 1, "big-endian" if ident[5] == 2 else f"data encoding {ident[5]}"),
        ("machine 40 (Arm)", machine == 40, f"machine {machine}"),
        ("an executable (ET_EXEC)", type_ == 2, types.get(type_, f"type {type_}")),
    ):
        if not holds:
            raise _unfit(
                "this ELF file is of a kind that is not supported",
                wanted,
                found,
                "give the linked executable for the microcontroller, or its HEX file",
            )


def _cut_off(expected: int, found: int) -> InputError:
    hint = "link or copy it again"
    return _unfit("this ELF file was cut off", f"at least {expected} bytes", f"{found} bytes", hint, offset=found)


def _unfit(message: str, expected: str, found: str, hint: str = _HINT, **place: Any) -> InputError:
    return InputError(message, place=Place(**place), expected=expected, found=found, hint=hint)
