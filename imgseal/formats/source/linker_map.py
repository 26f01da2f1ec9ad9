"""Linker maps of GNU ld: the memory regions of the script, and which output sections are loaded where.

Only the two tables that every map has are read; the rest is passed over. Layout from maps that binutils wrote.
"""

import re
from collections.abc import Iterable

from imgseal.errors import InputError, Place
from imgseal.limits import LINE_BYTES, MAP_LINES
from imgseal.records import NamedTuple

_REGION = re.compile(r"^(\S+)\s+0x([0-9a-f]{1,16})\s+0x([0-9a-f]{1,16})(?:\s+[a-z!]*)?$", re.IGNORECASE)
_SECTION = re.compile(
    r"^(\.\S+)?\s+0x([0-9a-f]{1,16})\s+0x([0-9a-f]{1,16})(?:\s+load address 0x([0-9a-f]{1,16}))?$", re.IGNORECASE
)
_NAME = re.compile(r"^\.\S+$")
_EMPTY = (".bss", ".tbss", ".noinit", ".heap", ".stack", "._user_heap")
"""Output sections that hold no bytes of a file: common practice, no source."""


class MapRegion(NamedTuple):
    """A MEMORY region: name, first address, length in bytes."""

    name: str
    origin: int
    length: int


class MapSection(NamedTuple):
    """An output section with bytes in the file: name, where it is loaded, size in bytes."""

    name: str
    load: int
    size: int


class LinkerMap(NamedTuple):
    """What a map says."""

    regions: tuple[MapRegion, ...]
    sections: tuple[MapSection, ...]

    def loaded_in(self, start: int, end: int) -> int:
        """Return how many bytes from `start` are taken: up to the end of the last section that begins below `end`."""
        ends = [section.load + section.size for section in self.sections if start <= section.load < end]
        return max(ends, default=start) - start


def read_map(lines: Iterable[str], name: str) -> LinkerMap:
    """Read a map; InputError where it has no memory configuration."""
    regions: list[MapRegion] = []
    sections: list[MapSection] = []
    part, pending = "", ""
    for number, raw in enumerate(lines, 1):
        if number > MAP_LINES or len(raw) > 4 * LINE_BYTES:
            raise InputError(
                "this is no linker map that imgseal reads",
                place=Place(file=name, line=number),
                expected=f"at most {MAP_LINES} lines",
                found="more, or a very long one",
                hint="give the file that -Wl,-Map=FILE of GNU ld wrote",
            )
        line = raw.rstrip()
        if line in ("Memory Configuration", "Linker script and memory map"):
            part = line
        elif part == "Memory Configuration":
            found = _REGION.match(line)
            if found and found[1] != "*default*":
                regions.append(MapRegion(found[1], int(found[2], 16), int(found[3], 16)))
        elif part:
            found = _SECTION.match(pending + line if pending else line) if line.startswith((".", " ")) else None
            if found and found[1] and int(found[3], 16) and not found[1].startswith(_EMPTY):
                sections.append(MapSection(found[1], int(found[4] or found[2], 16), int(found[3], 16)))
            pending = line if _NAME.match(line) else ""  # a long name stands on a line of its own
    if not regions:
        raise InputError(
            "this is no linker map of GNU ld",
            place=Place(file=name),
            expected='a table "Memory Configuration" with the regions of the linker script',
            found="none",
            hint="link with -Wl,-Map=FILE and a script that has MEMORY; imgseal show --linker prints its lines",
        )
    return LinkerMap(tuple(regions), tuple(sections))
