"""Motorola S-records: S19, S28 and S37. M68000 Family Programmer's Reference Manual, appendix C."""

from binascii import Error, unhexlify
from typing import BinaryIO, NoReturn

from imgseal.errors import InputError, Place
from imgseal.memory.builder import ImageBuilder
from imgseal.memory.image import MemoryImage
from imgseal.memory.store import ByteStore
from imgseal.source.lines import blocks, lines
from imgseal.source.runs import Layout, take_run

__all__ = ["read_s_records"]

_ADDRESS_BYTES = {b"0": 2, b"1": 2, b"2": 3, b"3": 4, b"5": 2, b"6": 3, b"7": 4, b"8": 3, b"9": 2}
_LAYOUTS = {
    kind: Layout(prefix=b"S" + kind, address_bytes=size, typed=False, counted=size + 1, total=0xFF)
    for kind, size in ((b"1", 2), (b"2", 3), (b"3", 4))
}
_TERMINATORS = {b"1": b"9", b"2": b"8", b"3": b"7"}
_PATIENCE = 4096


def read_s_records(stream: BinaryIO, name: str, store: ByteStore | None = None) -> MemoryImage:
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
        self.records = 0
        self.data_kind: bytes | None = None
        self.ended_at: int | None = None
        self.start: int | None = None
        self.trailing = 0
        self.patience = 16

    def take(self, block: bytes) -> None:
        """Read a block of whole lines: runs at once, everything else record by record."""
        position, size = 0, len(block)
        while position < size:
            layout = _LAYOUTS.get(block[position + 1 : position + 2]) if self.ended_at is None else None
            run = take_run(block, position, layout) if layout is not None else None
            if run is not None and layout is not None:
                self.one_kind(layout.prefix[1:])
                self.builder.add(run.address, run.data, self.line + 1, run.per_record)
                self.records += run.records
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
            if stripped[:1] in (b"S", b"s"):
                self.refuse("a record follows the end record", f"nothing behind line {self.ended_at}", _shown(stripped))
            self.trailing += 1
            return
        kind = stripped[1:2]
        if stripped[:1] != b"S":
            self.refuse("this line is no record", "a line that starts with 'S'", _shown(stripped))
        width = _ADDRESS_BYTES.get(kind)
        if width is None:
            self.refuse("this record type does not exist", "S0 to S3, S5 to S9", _shown(stripped[:2]))
        try:
            raw = unhexlify(stripped[2:])
        except Error:
            bad = next((c for c in stripped[2:] if c not in b"0123456789abcdefABCDEF"), None)
            if bad is None:
                self.refuse("a record with an odd number of digits", "two digits for each byte", f"{len(stripped) - 2} digits",
                            "the line was cut off")  # fmt: skip
            self.refuse("a character that is no hex digit", "0 to 9, A to F", _shown(bytes([bad])))
        if len(raw) < width + 2 or raw[0] != len(raw) - 1:
            self.refuse(
                "the record's length is not the one it states",
                f"{raw[0] if raw else width + 1} bytes behind the count, at least {width + 1}",
                f"{max(0, len(raw) - 1)} bytes",
                "the line was cut off",
            )
        if sum(raw) & 0xFF != 0xFF:
            right = ~sum(raw[:-1]) & 0xFF
            self.refuse(
                "the checksum is wrong",
                f"0x{right:02x}",
                f"0x{raw[-1]:02x}",
                "the file is damaged: make or copy it again",
            )
        self.act(kind, int.from_bytes(raw[1 : 1 + width]), raw[1 + width : -1])

    def act(self, kind: bytes, address: int, data: bytes) -> None:
        """Act on a record whose checksum holds."""
        if kind in _LAYOUTS:
            self.one_kind(kind)
            self.records += 1
            self.builder.add(address, data, self.line)
        elif kind == b"0":
            return
        elif data:
            self.refuse(f"a record of type S{kind.decode()} has no data", "0 bytes", f"{len(data)} bytes")
        elif kind in (b"5", b"6"):
            if address != self.records:
                self.refuse("records are missing or too many", f"{address}, as this record counts", str(self.records),
                            "the file is damaged: make or copy it again")  # fmt: skip
        else:
            wanted = _TERMINATORS.get(self.data_kind or b"", kind)
            if kind != wanted:
                self.refuse(
                    "the end record does not go with the data records", f"S{wanted.decode()}", f"S{kind.decode()}"
                )
            self.ended_at = self.line
            self.start = address

    def one_kind(self, kind: bytes) -> None:
        """Refuse data records of several kinds in one file."""
        if self.data_kind is None:
            self.data_kind = kind
        elif kind != self.data_kind:
            self.line += 0
            self.refuse(
                "data records of two kinds in one file", f"S{self.data_kind.decode()} as before", f"S{kind.decode()}",
                "two files may have been joined",
            )  # fmt: skip

    def finish(self) -> MemoryImage:
        """Return the image; a file without its end record was cut off."""
        if self.ended_at is None:
            kind = _TERMINATORS.get(self.data_kind or b"", b"9").decode()
            raise InputError(
                "the end record is missing: the file was cut off" if self.records else "there is no data in this file",
                place=Place(file=self.name, line=self.line + 1),
                expected=f"a record of type S{kind}",
                found="the end of the file",
                hint="make or copy the file again",
            )
        if not self.records:
            raise InputError("there is no data in this file", place=Place(file=self.name), hint="is it the right file?")
        notes = ()
        if self.trailing:
            notes = (f"{self.trailing} lines of text behind the end record in line {self.ended_at} are ignored",)
        return self.builder.finish(start_address=self.start or None, notes=notes)

    def refuse(self, message: str, expected: str, found: str, hint: str | None = None) -> NoReturn:
        """Raise the error of the current line."""
        raise InputError(
            message, place=Place(file=self.name, line=self.line), expected=expected, found=found, hint=hint
        )


def _shown(text: bytes) -> str:
    shown = text[:32].decode("ascii", "backslashreplace")
    return shown + ("..." if len(text) > 32 else "")
