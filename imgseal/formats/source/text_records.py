"""What Intel HEX and S-records share: lines of hex digits, runs of regular ones, an end record, text behind it."""

from binascii import Error, unhexlify
from collections.abc import Iterator
from typing import BinaryIO, NoReturn

from imgseal.errors import InputError, Place
from imgseal.formats.memory.builder import ImageBuilder
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.store import ByteStore
from imgseal.formats.source.detect import DIGITS
from imgseal.formats.source.runs import Layout, Run, take_run
from imgseal.limits import CHUNK, FIRMWARE_BYTES, LINE_BYTES

_MOST_AHEAD = 1 << 16
"""Records of one run: all that fit 64 KiB of addresses."""

_MOST_SLOW = 4096
"""Lines that are read one by one before a run is looked for again: first one, twice as many each time there is none."""


class TextReader:
    """Base of both readers: they say what a record means. One reader reads one file.

    What they have read of it are `start`, the entry point, and `notes`, remarks. `lead` is the character that every
    record starts with, `end_record` says what the last one looks like.
    """

    lead = b""
    end_record = ""

    allowance = ""
    """What the product file can allow behind the end record, as the end of a hint."""

    def __init__(
        self, name: str, store: ByteStore | None, aside: bytearray | None = None, *, after_end: str = "refuse"
    ) -> None:
        self.name = name
        self._ignores = after_end == "ignore"
        self._ignored = 0
        self.builder = ImageBuilder(store, name)
        self.line = 0
        self.aside = aside
        self.ended_at: int | None = None
        self.has_data = False
        self.start: int | None = None
        self.notes: tuple[str, ...] = ()
        self._trailing = 0
        self._slow = 1
        self._ahead = _MOST_AHEAD

    def read(self, stream: BinaryIO) -> MemoryImage:
        """Read a file to its end; InputError names line, expected and found for everything irregular."""
        for block in self._blocks(stream):
            self._take(block)
        if not self.is_complete():
            raise InputError(
                "the end record is missing: the file was cut off" if self.has_data else "there is no data in this file",
                place=Place(file=self.name, line=self.line + 1),
                expected=self.end_record,
                found="the end of the file",
                hint="make or copy the file again",
            )
        if not self.has_data:
            raise InputError(
                "there is no data in this file",
                place=Place(file=self.name),
                expected="at least one data record",
                found="only other records",
                hint="is it the right file?",
            )
        if self._ignored:
            some = "1 record" if self._ignored == 1 else f"{self._ignored} records"
            self.notes += (f"{some} behind the end record in line {self.ended_at} ignored (firmware.after_end)",)
        if self._trailing:
            some = "1 line" if self._trailing == 1 else f"{self._trailing} lines"
            self.notes += (f"{some} of text behind the end record in line {self.ended_at} ignored",)
        return self.builder.finish(start_address=self.start, notes=self.notes)

    def layout(self, block: bytes, position: int) -> Layout | None:
        """Return the layout of the data record at `position`, if it may start a run."""
        raise NotImplementedError

    def run(self, run: Run, layout: Layout) -> None:
        """Take a run of data records that `layout` found; `self.line` is its first line."""
        raise NotImplementedError

    def record(self, text: bytes) -> None:
        """Take one record, which starts with the lead character and has no blanks around it."""
        raise NotImplementedError

    def is_complete(self) -> bool:
        """Whether the file may end here."""
        return self.ended_at is not None

    def _blocks(self, stream: BinaryIO) -> Iterator[bytes]:
        """Yield pieces of about limits.CHUNK bytes that end behind a line feed, the last one perhaps without one."""
        rest, total = b"", 0
        while chunk := stream.read(CHUNK):
            total += len(chunk)
            if total > FIRMWARE_BYTES:
                raise InputError(
                    "this firmware file is larger than imgseal reads",
                    place=Place(file=self.name),
                    expected=f"at most {FIRMWARE_BYTES} bytes",
                    found="more",
                    hint="is it the right file? give the binary form if it is",
                )
            cut = chunk.rfind(b"\n") + 1
            if cut:
                yield rest + chunk[:cut] if rest else chunk[:cut]
                rest = chunk[cut:]
            else:
                rest += chunk
            if len(rest) > LINE_BYTES:
                raise _too_long(self.name, self.line + 1, len(rest), lone_returns=b"\r" in rest)
        if rest:
            yield rest

    def _take(self, block: bytes) -> None:
        """Read a block of whole lines: runs at once, everything else line by line."""
        position, size = 0, len(block)
        while position < size:
            layout = self.layout(block, position) if self.ended_at is None else None
            run = take_run(block, position, layout, self._ahead) if layout is not None else None
            if run is not None and layout is not None:
                self.line += 1
                self.run(run, layout)
                self.has_data = True
                self.line += run.records - 1
                position += run.taken
                self._slow = 1
                # looking far ahead is wasted where runs are short
                self._ahead = 4 * run.records if run.broken_off else min(4 * self._ahead, _MOST_AHEAD)
                continue
            for _ in range(self._slow):
                if position >= size:
                    break
                end = block.find(b"\n", position)
                text = block[position:end] if end >= 0 else block[position:]
                position = end + 1 if end >= 0 else size
                self.line += 1
                self._line(text.strip())
            self._slow = min(2 * self._slow, _MOST_SLOW)

    def _line(self, text: bytes) -> None:
        if not text:
            return
        if self.ended_at is not None:
            self._behind_end(text)
        elif not text.startswith(self.lead):
            marked = self.line == 1 and text.startswith(b"\xef\xbb\xbf")
            self.refuse(
                "the file starts with a byte order mark" if marked else "this line is no record",
                f"a line that starts with '{self.lead.decode()}'",
                "EF BB BF" if marked else shown(text),
                "save it as plain ASCII text" if marked else "the file is damaged, or two lines were joined or split",
            )
        elif len(text) > LINE_BYTES:
            raise _too_long(self.name, self.line, len(text))
        else:
            self.record(text)

    def _behind_end(self, text: bytes) -> None:
        """Text behind the end record occurs in real files and means nothing; records there would be lost silently."""
        if text.startswith(self.lead) and sum(byte in DIGITS for byte in text[1:11]) >= min(8, len(text) - 1):
            if self._ignores:
                self._ignored += 1
                return
            self.refuse(
                "a record follows the end record",
                f"no record behind line {self.ended_at}",
                shown(text),
                "two files may have been joined; give them one by one" + self.allowance,
            )
        if any(byte < 0x20 and byte not in b"\t\f\v\x1a" for byte in text):
            self.refuse(
                "bytes that are no text follow the end record",
                f"nothing, or text, behind line {self.ended_at}",
                shown(text),
                "the file is damaged, or something was appended to it",
            )
        if self.aside is not None and text != b"\x1a":  # which ends a text on old systems
            self.refuse(
                "something follows the end record",
                f"nothing behind line {self.ended_at}",
                shown(text),
                "make the file again, or remove what was appended to it",
            )
        self._trailing += 1

    def bytes_of(self, digits: bytes) -> bytes:
        """Return the bytes that hex digits stand for, or refuse them."""
        try:
            return unhexlify(digits)
        except Error:
            pass
        bad = next((index for index, byte in enumerate(digits) if byte not in DIGITS), None)
        if bad is None:
            self.refuse(
                "this record has an odd number of digits",
                "two digits for each byte",
                f"{len(digits)} digits",
                "a character was lost or added: make or copy the file again",
            )
        self.refuse(
            "a character that is no hex digit",
            "0 to 9, A to F",
            f"{shown(digits[bad : bad + 1])} in column {bad + 1 + len(self.lead)}",
            "the file is damaged: make or copy it again",
        )

    def bad_checksum(self, expected: int, found: int) -> NoReturn:
        """Refuse the current line for its last byte."""
        self.refuse(
            "the checksum is wrong", f"{expected:02X}", f"{found:02X}", "the file is damaged: make or copy it again"
        )

    def refuse(self, message: str, expected: str, found: str, hint: str) -> NoReturn:
        """Raise the error of the current line."""
        raise InputError(
            message, place=Place(file=self.name, line=self.line), expected=expected, found=found, hint=hint
        )


def shown(text: bytes) -> str:
    """Return text for a message: at most 32 characters, nothing that a terminal would act on."""
    quoted = ascii(text[:32].decode("latin-1"))
    return quoted + (f"... ({len(text)} characters)" if len(text) > 32 else "")


def _too_long(name: str, line: int, size: int, *, lone_returns: bool = False) -> InputError:
    return InputError(
        "this line is longer than any record",
        place=Place(file=name, line=line),
        expected=f"at most {LINE_BYTES} characters",
        found=f"at least {size}",
        hint="its lines end with a carriage return only: save it with line feeds"
        if lone_returns
        else "the file is damaged, or no text of records",
    )
