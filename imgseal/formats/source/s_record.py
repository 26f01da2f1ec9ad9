"""Motorola S-records: S19, S28 and S37. M68000 Family Programmer's Reference Manual, appendix C.

Widespread writers choose the width of each record by its address, the end record's too, and leave the end record out
when there is no entry point to state. So widths may be mixed, and a count record that holds may end a file as well.
"""

from typing import BinaryIO

from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.store import ByteStore
from imgseal.formats.source.detect import ADDRESS_BYTES
from imgseal.formats.source.runs import Layout, Run
from imgseal.formats.source.text_records import TextReader, shown

_LAYOUTS = {
    kind: Layout(prefix=b"S" + kind, address_bytes=size, typed=False, counted=size + 1, total=0xFF)
    for kind, size in ((b"1", 2), (b"2", 3), (b"3", 4))
}

_MOST_SAID = 64 << 10
"""Bytes of S0 records; there is one, with a name, as a rule."""


def read_s_records(
    stream: BinaryIO, name: str, store: ByteStore | None = None, aside: bytearray | None = None
) -> MemoryImage:
    """Read a file; InputError names line, expected and found for everything irregular. `aside` as in `source.read`."""
    return _Reader(name, store, aside).read(stream)


class _Reader(TextReader):
    lead = b"S"
    end_record = "a record of type S7, S8 or S9, or one that counts the data records (S5, S6)"

    def __init__(self, name: str, store: ByteStore | None, aside: bytearray | None) -> None:
        super().__init__(name, store, aside)
        self._records = 0
        self._counted = False

    def is_complete(self) -> bool:
        return self.ended_at is not None or self._counted

    def layout(self, block: bytes, position: int) -> Layout | None:
        return _LAYOUTS.get(block[position + 1 : position + 2]) if block[position : position + 1] == b"S" else None

    def run(self, run: Run, layout: Layout) -> None:  # noqa: ARG002 - the address is all
        self._counted = False
        self._records += run.records
        self.builder.add(run.address, run.data, self.line, run.per_record)

    def record(self, text: bytes) -> None:
        kind = text[1:2]
        width = ADDRESS_BYTES.get(kind)
        if width is None:
            self.refuse("this record type does not exist", "S0 to S3, S5 to S9", shown(text[:2]), "the file is damaged")
        raw = self.bytes_of(text[2:])
        if len(raw) < width + 2 or raw[0] != len(raw) - 1:
            self.refuse(
                "this record's length is not the one it states",
                f"{raw[0] if raw else width + 1} bytes behind the count, at least {width + 1}",
                f"{max(0, len(raw) - 1)} bytes",
                "the line was cut off, or joined with another one",
            )
        if sum(raw) & 0xFF != 0xFF:
            self.bad_checksum(~sum(raw[:-1]) & 0xFF, raw[-1])
        self._act(kind, int.from_bytes(raw[1 : 1 + width]), raw[1 + width : -1])

    def _act(self, kind: bytes, address: int, data: bytes) -> None:
        if kind in _LAYOUTS:
            self._counted = False
            self._records += 1
            if data:
                self.builder.add(address, data, self.line)
                self.has_data = True
        elif kind == b"0":
            self._say(data)
        elif data:
            self.refuse(
                f"a record of type S{kind.decode()} has no data",
                "0 bytes",
                f"{len(data)} bytes",
                "the file is damaged, or written by a faulty tool",
            )
        elif kind in (b"5", b"6"):
            if address != self._records:
                self.refuse(
                    "data records are missing or too many",
                    f"{address} data records, as this record counts",
                    str(self._records),
                    "lines were lost, or two files joined: make or copy the file again",
                )
            self._counted = True
        else:
            self.ended_at = self.line
            # common practice, no source: writers put 0 there when they know no entry point
            self.start = address or None

    def _say(self, text: bytes) -> None:
        """Keep what a header record says, for those who want to know what a file holds beside firmware."""
        if self.aside is None:
            return
        if len(self.aside) + len(text) > _MOST_SAID:
            self.refuse(
                "the header records of this file say more than any firmware's",
                f"at most {_MOST_SAID} bytes",
                "more",
                "leave the S0 records out, or all but the first one",
            )
        self.aside += text
