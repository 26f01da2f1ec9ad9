"""Intel HEX, record types 00 to 05. Intel, "Hexadecimal Object File Format Specification", revision A, January 1988.

Where a later type 02 or 04 record stands, it replaces the earlier base, whichever type that was: each sets the whole
base address in the specification. Some readers add the two bases instead; a file where that makes a difference gets
a note.
"""

from typing import BinaryIO

from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.store import ByteStore
from imgseal.formats.source.runs import Layout, Run
from imgseal.formats.source.text_records import TextReader, shown

_LAYOUT = Layout(prefix=b":", address_bytes=2, typed=True, counted=0, total=0)
_DATA, _END, _SEGMENT, _SEGMENT_START, _LINEAR, _LINEAR_START = range(6)
_LENGTHS = {_END: 0, _SEGMENT: 2, _SEGMENT_START: 4, _LINEAR: 2, _LINEAR_START: 4}


def read_intel_hex(
    stream: BinaryIO,
    name: str,
    store: ByteStore | None = None,
    aside: bytearray | None = None,
    *,
    after_end: str = "refuse",
) -> MemoryImage:
    """Read a file; InputError names line, expected and found for everything irregular.

    `aside` and `after_end` as in `source.read`.
    """
    return _Reader(name, store, aside, after_end=after_end).read(stream)


class _Reader(TextReader):
    lead = b":"
    end_record = ":00000001FF"
    allowance = (
        '; where a tool appends symbols there, say so in the product file: [firmware] after_end = "ignore" (the gate '
        "refuses them all the same)"
    )

    def __init__(self, name: str, store: ByteStore | None, aside: bytearray | None, *, after_end: str) -> None:
        super().__init__(name, store, aside, after_end=after_end)
        self._base = 0
        self._segmented = False
        self._start_line = 0
        self._mixed = False

    def layout(self, block: bytes, position: int) -> Layout | None:  # noqa: ARG002 - data records have one layout
        return _LAYOUT

    def run(self, run: Run, layout: Layout) -> None:  # noqa: ARG002 - as above
        self.builder.add(self._base + run.address, run.data, self.line, run.per_record)

    def record(self, text: bytes) -> None:
        raw = self.bytes_of(text[1:])
        if len(raw) < 5:
            self.refuse("this record is too short", "at least 5 bytes", shown(text), "the line was cut off")
        count, offset, kind = raw[0], raw[1] << 8 | raw[2], raw[3]
        if len(raw) != count + 5:
            self.refuse(
                "this record's length is not the one it states",
                f"{count} bytes of data",
                f"{len(raw) - 5} bytes",
                "the line was cut off, or joined with another one",
            )
        if sum(raw) & 0xFF:
            self.bad_checksum(-sum(raw[:-1]) & 0xFF, raw[-1])
        if kind == _DATA:
            self._data(offset, raw[4:-1])
            return
        wanted = _LENGTHS.get(kind)
        if wanted is None:
            self.refuse(
                f"record type {kind:02X} is not part of Intel HEX",
                "types 00 to 05",
                f"type {kind:02X}",
                "files that hold images for several boards have types of their own: export the one for your board",
            )
        if count != wanted:
            self.refuse(
                f"a record of type {kind:02X} has {wanted} bytes of data",
                f"{wanted} bytes",
                f"{count} bytes",
                "the file is damaged, or written by a faulty tool",
            )
        if kind == _END:
            self.ended_at = self.line
            if offset:  # files of the 8-bit time have the entry point there; the 1988 specification has 0000
                self.notes += (f"line {self.line}: the end record's address {offset:04X} is ignored",)
            return
        if offset:
            self.refuse(
                f"a record of type {kind:02X} has no address of its own",
                "address 0000",
                f"{offset:04X}",
                "the file is damaged, or written by a faulty tool",
            )
        value = int.from_bytes(raw[4:-1])
        if kind in (_SEGMENT, _LINEAR):
            self._set_base(value << 4 if kind == _SEGMENT else value << 16, segmented=kind == _SEGMENT)
        else:
            self._set_start(((value >> 16) << 4) + (value & 0xFFFF) if kind == _SEGMENT_START else value)

    def _data(self, offset: int, data: bytes) -> None:
        if not data:
            return
        end = offset + len(data)
        if self._segmented and end > 0x10000:
            # Intel: the offset wraps to the segment's start; most readers go on behind the segment instead
            self.refuse(
                "this data record crosses the end of its 64 KiB segment, and readers disagree where the rest goes",
                "an end of at most 0x10000 in the segment",
                f"0x{end:x}",
                "export the file with extended linear addresses (type 04)",
            )
        self.builder.add(self._base + offset, data, self.line)
        self.has_data = True

    def _set_base(self, base: int, *, segmented: bool) -> None:
        if segmented != self._segmented and self._base and not self._mixed:
            self._mixed = True
            self.notes += (
                f"line {self.line}: types 02 and 04 are mixed; the later record counts, though some readers add them",
            )
        self._base, self._segmented = base, segmented

    def _set_start(self, start: int) -> None:
        if self.start is not None and self.start != start:
            self.refuse(
                "the file states two entry points",
                f"0x{self.start:08x}, as in line {self._start_line}",
                f"0x{start:08x}",
                "two files may have been joined; give them one by one, or remove one of the start records",
            )
        self.start, self._start_line = start, self.line
