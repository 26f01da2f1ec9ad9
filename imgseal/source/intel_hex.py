"""Intel HEX, record types 00 to 05. Intel, "Hexadecimal Object File Format Specification", revision A, 1988."""

from binascii import Error, unhexlify
from typing import BinaryIO, NoReturn

from imgseal.errors import InputError, Place
from imgseal.memory.builder import ImageBuilder
from imgseal.memory.image import MemoryImage
from imgseal.memory.store import ByteStore
from imgseal.source.lines import blocks, lines
from imgseal.source.runs import Layout, take_run

__all__ = ["read_intel_hex"]

_LAYOUT = Layout(prefix=b":", address_bytes=2, typed=True, counted=0, total=0)
_DATA, _END, _SEGMENT, _SEGMENT_START, _LINEAR, _LINEAR_START = range(6)
_LENGTHS = {_END: 0, _SEGMENT: 2, _SEGMENT_START: 4, _LINEAR: 2, _LINEAR_START: 4}
_PATIENCE = 4096
"""Most records that are read one by one before the fast path is tried again."""


def read_intel_hex(stream: BinaryIO, name: str, store: ByteStore | None = None) -> MemoryImage:
    """Read a file; InputError names line, expected and found for everything irregular."""
    reader = _Reader(name, store)
    for block in blocks(stream, name):
        reader.take(block)
    return reader.finish()


class _Reader:
    def __init__(self, name: str, store: ByteStore | None) -> None:
        self.name = name
        self.builder = ImageBuilder(store, name)
        self.line = 0
        self.base = 0
        self.segmented = False
        self.ended_at: int | None = None
        self.start: int | None = None
        self.start_line = 0
        self.seen_data = False
        self.trailing = 0
        self.patience = 16

    def take(self, block: bytes) -> None:
        """Read a block of whole lines: runs at once, everything else record by record."""
        position, size = 0, len(block)
        while position < size:
            run = None if self.ended_at is not None else take_run(block, position, _LAYOUT)
            if run is not None:
                self.builder.add(self.base + run.address, run.data, self.line + 1, run.per_record)
                self.seen_data = True
                self.line += run.records
                position += run.taken
                self.patience = 16
                continue
            for text, behind in lines(block, position, self.patience):
                self.line += 1
                self.record(text)
                position = behind
            self.patience = min(2 * self.patience, _PATIENCE)

    def record(self, text: bytes) -> None:
        """Read one line."""
        stripped = text.strip()
        if not stripped:
            return
        if self.ended_at is not None:
            if stripped.startswith(b":"):
                self.refuse(
                    "a record follows the end record",
                    f"nothing behind line {self.ended_at}",
                    _shown(stripped),
                    "two files may have been joined; give them one by one",
                )
            self.trailing += 1
            return
        if stripped[:1] != b":":
            if self.line == 1 and text.startswith(b"\xef\xbb\xbf"):
                self.refuse("the file starts with a byte order mark", "':'", "EF BB BF", "save it as plain ASCII text")
            self.refuse("this line is no record", "a line that starts with ':'", _shown(stripped))
        try:
            raw = unhexlify(stripped[1:])
        except Error:
            bad = next((c for c in stripped[1:] if c not in b"0123456789abcdefABCDEF"), None)
            if bad is None:
                self.refuse("a record with an odd number of digits", "two digits for each byte", f"{len(stripped) - 1} digits",
                            "the line was cut off")  # fmt: skip
            self.refuse("a character that is no hex digit", "0 to 9, A to F", _shown(bytes([bad])))
        if len(raw) < 5:
            self.refuse("the record is too short", "at least 5 bytes", f"{len(raw)} bytes", "the line was cut off")
        count, offset, kind = raw[0], raw[1] << 8 | raw[2], raw[3]
        if len(raw) != count + 5:
            self.refuse(
                "the record's length is not the one it states", f"{count} bytes of data", f"{len(raw) - 5} bytes"
            )
        if sum(raw) & 0xFF:
            right = -sum(raw[:-1]) & 0xFF
            self.refuse(
                "the checksum is wrong",
                f"0x{right:02x}",
                f"0x{raw[-1]:02x}",
                "the file is damaged: make or copy it again",
            )
        if kind == _DATA:
            self.data(offset, raw[4:-1])
            return
        wanted = _LENGTHS.get(kind)
        if wanted is None:
            self.refuse(
                f"record type {kind:02X} is not part of Intel HEX",
                "types 00 to 05",
                f"{kind:02X}",
                "files that hold images for several boards have types of their own: export the one for your board",
            )
        if count != wanted:
            self.refuse(f"a record of type {kind:02X} has {wanted} bytes of data", str(wanted), str(count))
        self.special(kind, raw[4:-1])

    def data(self, offset: int, data: bytes) -> None:
        """Add the bytes of a data record."""
        if not data:
            return
        end = offset + len(data)
        if self.segmented and end > 0x10000:
            # Intel: the offset wraps inside the segment; widespread readers go on into the next one instead
            self.refuse(
                "a data record crosses the end of its 64 KiB segment, and readers disagree where the rest goes",
                "an end of at most 0x10000 in the segment",
                f"0x{end:x}",
                "export the file with extended linear addresses (type 04)",
            )
        self.builder.add(self.base + offset, data, self.line)
        self.seen_data = True

    def special(self, kind: int, data: bytes) -> None:
        """Act on a record that is not data."""
        value = int.from_bytes(data)
        if kind == _END:
            self.ended_at = self.line
        elif kind == _SEGMENT:
            self.base, self.segmented = value << 4, True
        elif kind == _LINEAR:
            self.base, self.segmented = value << 16, False
        else:
            start = ((value >> 16) << 4) + (value & 0xFFFF) if kind == _SEGMENT_START else value
            if self.start is not None and self.start != start:
                self.refuse(
                    "the file states two entry points",
                    f"0x{self.start:08x}, as in line {self.start_line}",
                    f"0x{start:08x}",
                )
            self.start, self.start_line = start, self.line

    def finish(self) -> MemoryImage:
        """Return the image; a file without its end record was cut off."""
        if self.ended_at is None:
            raise InputError(
                "the end record is missing: the file was cut off"
                if self.seen_data
                else "there is no record in this file",
                place=Place(file=self.name, line=self.line + 1),
                expected=":00000001FF",
                found="the end of the file",
                hint="make or copy the file again",
            )
        if not self.seen_data:
            raise InputError("there is no data in this file", place=Place(file=self.name), hint="is it the right file?")
        notes = ()
        if self.trailing:
            notes = (f"{self.trailing} lines of text behind the end record in line {self.ended_at} are ignored",)
        return self.builder.finish(start_address=self.start, notes=notes)

    def refuse(self, message: str, expected: str, found: str, hint: str | None = None) -> NoReturn:
        """Raise the error of the current line."""
        raise InputError(
            message, place=Place(file=self.name, line=self.line), expected=expected, found=found, hint=hint
        )


def _shown(text: bytes) -> str:
    shown = text[:32].decode("ascii", "backslashreplace")
    return shown + ("..." if len(text) > 32 else "")
