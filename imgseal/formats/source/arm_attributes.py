"""What an ELF file was compiled for, as its section .ARM.attributes says.

Build Attributes for the Arm Architecture (ABI addenda, from memory), "Encoding": a format version, then for each vendor
its length, its name, and sub-sections of tags and values. What compilers and binutils 2.40 write is read in the tests.
"""

from imgseal.formats.memory.image import BuiltFor

SECTION_TYPE = "SHT_ARM_ATTRIBUTES"
SECTION_BYTES = 64 << 10
"""A larger section is no list of attributes: compilers write some fifty bytes."""

_FILE = 1  # the sub-section for the whole file
_NAME, _ARCH, _PROFILE, _FP = 5, 6, 7, 10
_TEXTS = (4, _NAME)
_BOTH = 32  # Tag_compatibility has a number and a text; above it odd tags have texts


def built_for(content: bytes) -> BuiltFor | None:
    """Read the attributes of the whole file; None where there are none, or nothing that can be read."""
    if content[:1] != b"A":
        return None
    at = 1
    try:
        while at < len(content):
            size = int.from_bytes(content[at : at + 4], "little")
            vendor, start = _text(content, at + 4)
            if vendor == "aeabi" and (found := _of_file(content[start : at + size])) is not None:
                return found
            at += max(size, 5)
    except (IndexError, ValueError):
        pass  # damaged attributes say nothing; what is loaded is judged all the same
    return None


def _of_file(content: bytes) -> BuiltFor | None:
    at = 0
    while at < len(content):
        tag, start = _number(content, at)
        size = int.from_bytes(content[start : start + 4], "little")
        if tag == _FILE:
            return _attributes(content[start + 4 : at + size])
        at += max(size, 5)
    return None


def _attributes(content: bytes) -> BuiltFor:
    numbers: dict[int, int] = {}
    name, at = "", 0
    while at < len(content):
        tag, at = _number(content, at)
        if tag not in _TEXTS and (tag <= _BOTH or tag % 2 == 0):
            numbers[tag], at = _number(content, at)
        if tag in _TEXTS or (tag >= _BOTH and (tag == _BOTH or tag % 2)):
            text, at = _text(content, at)
            name = text if tag == _NAME else name
    profile = numbers.get(_PROFILE, 0)
    return BuiltFor(numbers.get(_ARCH, 0), chr(profile) if profile else "", numbers.get(_FP, 0), name)


def _number(content: bytes, at: int) -> tuple[int, int]:
    """Read a number of seven bits a byte, the least significant first; return it and what is behind it."""
    value = shift = 0
    while True:
        byte = content[at]
        value |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if byte < 0x80:
            return value, at


def _text(content: bytes, at: int) -> tuple[str, int]:
    end = content.index(b"\0", at)
    return content[at:end].decode("latin-1"), end + 1
