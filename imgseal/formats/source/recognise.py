"""Whether a file among others holds firmware, by its first bytes.

`detect` answers another question: it is asked about a file that somebody calls firmware, and takes anything for a flat
binary. Here most files are something else.
"""

import re

from imgseal.formats.source.detect import ADDRESS_BYTES, ELF, kind_of_record
from imgseal.formats.source.unread_binary import unread_binary
from imgseal.formats.source.unread_text import BEGIN, CARRY, DAMAGED, kind_in, squeezed

OTHER_PACKAGE = "an update package in an encoding that devices do not read"
"""CBOR tag 107 with more bytes than it needs, or behind the tag that only says that CBOR follows (RFC 8949 3.4.6)."""

BLANK = "blanks"
"""Nothing but blanks and zeros so far: what it is, is said by what comes behind them."""

_BLANK = b" \t\r\n\f\v"
_MARKS = b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"  # byte order marks of UTF-8 and UTF-16
_MACHINES = (40, 0)  # EM_ARM, ELF for the Arm Architecture, and EM_NONE, which objcopy writes for other targets
_LOADED = (2, 3)  # ET_EXEC and ET_DYN; what is still to be linked (ET_REL) is no firmware
_HEX = re.compile(rb"[0-9A-Fa-f]*")
_ENDS = re.compile(rb"[\r\n]+")
_SELF_DESCRIBED, _ENVELOPE = 55799, 107


def firmware_kind(head: bytes) -> str | None:
    """Say what starts with `head`, which is up to HEAD_BYTES of it: ELF, INTEL_HEX or S_RECORD for what can be read.

    DAMAGED, OTHER_PACKAGE or the name of a form that is not read here for what nobody should be given, BLANK where more
    has to be read, else None; then a `Search` may still find firmware behind it. ELF files count when they are for Arm,
    the architecture of all cores that a product file can name, or for no machine at all.
    """
    if head.startswith(b"\x7fELF"):
        return ELF if _is_loaded(head) else None
    kind = _kind_of_text(head)
    if kind is not None:
        return kind
    if _is_other_package(head):
        return OTHER_PACKAGE
    if (kind := unread_binary(head)) is not None:
        return kind
    mark = marked(head)
    rest = head[mark:]
    if head and blanks(rest) == len(rest):
        return BLANK
    # UTF-16 of either order, with a byte order mark or without: every second byte is a zero
    if (mark or b"\0" in head) and _kind_of_text(rest.replace(b"\0", b"")) is not None:
        return DAMAGED
    return None


class Search:
    """Looks for firmware as text anywhere in a file, which is given in pieces from its first byte."""

    __slots__ = ("_rest", "kind")

    def __init__(self) -> None:
        self.kind: str | None = None
        """DAMAGED or the name of a form that is not read here, None as long as there is nothing."""
        self._rest = b"\n"

    def take(self, piece: bytes) -> None:
        """Go on behind the pieces before; an empty one is the end of the file."""
        if self.kind is None:
            text = self._rest + (squeezed(piece) if piece else b"\n")
            self.kind = kind_in(text)
            self._rest = text[-CARRY:]


def marked(data: bytes) -> int:
    """Return how many bytes of a byte order mark `data` begins with."""
    return next((len(mark) for mark in _MARKS if data.startswith(mark)), 0)


def blanks(data: bytes) -> int:
    """Return how many blanks and zeros `data` begins with."""
    return len(data) - len(data.lstrip(_BLANK + b"\0"))


def _kind_of_text(head: bytes) -> str | None:
    """Return INTEL_HEX, S_RECORD, DAMAGED or None.

    A first line is a record when the length that it states is its own; then its other digits may be wrong. Behind any
    other first line there has to be something whole: prose has none.
    """
    if not head.strip(_BLANK):
        return None
    first = next(filter(None, (line.strip(_BLANK) for line in _ENDS.split(head)))).removeprefix(_MARKS[0])
    kind = kind_of_record(first, least=5)
    if kind is not None and _fits(first):
        return kind
    found = kind_in(BEGIN + squeezed(head.removeprefix(_MARKS[0])).lstrip(b"\n") + b"\n")
    if found is not None:
        return (kind or found) if found == DAMAGED else found
    return DAMAGED if first[:1] == b"s" and _fits(first) else None


def _is_other_package(head: bytes) -> bool:
    """Read CBOR tags (RFC 8949 section 3), in however many bytes each is written."""
    at = 0
    while (first := head[at : at + 1]) and 0xD8 <= first[0] <= 0xDB:
        size = 1 << first[0] - 0xD8
        number = int.from_bytes(head[at + 1 : at + 1 + size].ljust(size, b"\xff"))
        if number != _SELF_DESCRIBED:
            return number == _ENVELOPE and (at, size) != (0, 1)
        at += 1 + size
    return False


def _is_loaded(head: bytes) -> bool:
    step = -1 if head[5:6] == b"\x02" else 1  # EI_DATA 2: the most significant byte comes first
    kind, machine = (int.from_bytes(head[at : at + 2][::step], "little") for at in (16, 18))
    return machine in _MACHINES and kind in _LOADED


def _fits(line: bytes) -> bool:
    """Say whether a line starts with as many hex digits as its count says, whatever they are."""
    counted = line[:1] in (b"S", b"s")
    match = _HEX.match(line, 2 if counted else 1)
    assert match is not None
    digits = match[0]
    if len(digits) < 2:
        return False
    count = int(digits[:2], 16)
    if counted:
        return count > ADDRESS_BYTES.get(line[1:2], 0xFF) and len(digits) == 2 * (count + 1)
    return len(digits) == 2 * (count + 5)
