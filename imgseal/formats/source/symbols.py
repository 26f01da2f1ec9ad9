"""Names of what lies where in firmware: symbols of an ELF file, or input sections of a linker map of GNU ld."""

import re
from typing import BinaryIO

from imgseal.errors import InputError, Place
from imgseal.limits import LINE_BYTES, MAP_LINES
from imgseal.records import NamedTuple

_SYMBOLS = 1 << 18
"""Symbols that are read; large firmware has some ten thousand."""
_NAMED = re.compile(r"^ \.(?:text|rodata|data)\.(\S+)$")
_PLACED = re.compile(r"^ (?:\.\S+)?\s+0x([0-9a-f]{8,16})\s+0x([0-9a-f]{1,8})\s+(\S.*)$", re.IGNORECASE)


class Symbol(NamedTuple):
    """A function or an object: first address, size in bytes, name."""

    address: int
    size: int
    name: str


def read_symbols(stream: BinaryIO, name: str) -> list[Symbol]:
    """Return what has a name and a size, by address."""
    head = stream.read(4)
    stream.seek(0)
    return sorted(_of_elf(stream, name) if head == b"\x7fELF" else _of_map(stream, name))


def _of_elf(stream: BinaryIO, name: str) -> list[Symbol]:
    from elftools.common.exceptions import ELFError  # noqa: PLC0415 - heavy
    from elftools.elf.elffile import ELFFile  # noqa: PLC0415
    from elftools.elf.sections import SymbolTableSection  # noqa: PLC0415

    try:
        table = ELFFile(stream).get_section_by_name(".symtab")
        symbols = (
            table.iter_symbols() if isinstance(table, SymbolTableSection) and table.num_symbols() <= _SYMBOLS else ()
        )
        return [
            Symbol(symbol["st_value"] & ~1, symbol["st_size"], symbol.name)
            for symbol in symbols
            if symbol["st_size"] and symbol["st_info"]["type"] in ("STT_FUNC", "STT_OBJECT")
        ]
    except (ELFError, UnicodeDecodeError, ValueError, KeyError, OverflowError) as error:
        raise InputError(
            "the symbols of this ELF file cannot be read",
            place=Place(file=name),
            found=type(error).__name__,
            hint="link the firmware again, or give its linker map",
        ) from None


def _of_map(stream: BinaryIO, name: str) -> list[Symbol]:
    found, pending = [], ""
    for number, raw in enumerate(stream, 1):
        if number > MAP_LINES or len(raw) > 4 * LINE_BYTES:
            break
        line = raw.decode("utf-8", "replace").rstrip()
        section = _NAMED.match(line.partition("  ")[0])
        placed = _PLACED.match(line)
        if placed and int(placed[2], 16) and int(placed[1], 16):
            own = section[1] if section else pending
            found.append(Symbol(int(placed[1], 16), int(placed[2], 16), own or placed[3].rpartition("/")[2]))
        pending = section[1] if section and not placed else ""
    if not found:
        raise InputError(
            "this names no symbols",
            place=Place(file=name),
            expected="an ELF file that is not stripped, or a linker map of GNU ld",
            hint="link with -Wl,-Map=FILE, or give the ELF file that was linked",
        )
    return found
