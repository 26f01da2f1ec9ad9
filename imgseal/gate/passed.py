"""Searches a file that begins neither as firmware nor as an archive, in one pass to its end, for what it may hide."""

from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.archives.tar_stream import BLOCK, header_in
from imgseal.formats.archives.unpack import TAR
from imgseal.formats.source.recognise import OTHER_PACKAGE, Search
from imgseal.formats.source.unread_text import DAMAGED
from imgseal.gate.artefact import finding, not_sealed
from imgseal.gate.leaks import find
from imgseal.gate.vector_table import VectorTables
from imgseal.gate.wrapped_keys import wrapped_keys
from imgseal.limits import PASSED_OVER_BYTES
from imgseal.make.leaks import LEAK_CODES
from imgseal.window import ByteView, Window

_KEY_BYTES = 32 << 10
"""What is kept of one piece for the next: no private key is longer, in any form that is looked for."""


class PassedOver:
    """Takes the file in pieces; `kind` and `findings` are what it is refused as, where it is."""

    __slots__ = ("_at", "_begins", "_find_keys", "_rest", "_search", "_size", "_tables", "_tail", "findings", "kind")

    def __init__(self, tables: VectorTables, *, find_keys: bool) -> None:
        self.kind = ""
        self.findings: tuple[Finding, ...] = ()
        self._search = Search()
        self._tables = tables
        self._find_keys = find_keys
        self._begins = b""
        self._rest = b""
        self._at = 0
        self._tail = b""
        self._size = 0

    def take(self, piece: bytes) -> None:
        """Go on behind the pieces before; an empty one is the end of the file."""
        if self.findings:
            return
        self._begins = self._begins or piece[:BLOCK]
        self._size += len(piece)
        self._search.take(piece)
        blocks = self._rest + piece
        whole = len(blocks) // BLOCK * BLOCK
        if self._search.kind is not None:
            self._refuse(self._search.kind, not_read(self._search.kind))
        elif (at := header_in(blocks[:whole])) is not None:
            place = Place(offset=self._at + at)
            found = "a header of a tar archive, and none that is whole in front of it"
            hint = "make the archive again"
            self._refuse(TAR, finding("gate.archive-unreadable", place=place, found=found, hint=hint))
        else:
            self._look(piece)
        self._rest = blocks[whole:]
        self._at += whole
        if not self.findings and self._at > PASSED_OVER_BYTES:
            found = f"more than {PASSED_OVER_BYTES} bytes that are no archive"
            self._refuse("file", finding("gate.unreadable", found=found))

    def _look(self, piece: bytes) -> None:
        """Look for a vector table and for keys in a piece and the end of the one before.

        What may go on in the next piece is found there.
        """
        start, window = self._size - len(piece) - len(self._tail), self._tail + piece
        self._tail = window[-_KEY_BYTES:]
        if (table := self._tables.find(window, start)) is not None:
            self._refuse("flat binary", not_sealed(table))
        elif self._find_keys:
            last = len(window) if piece else len(window) + 1
            leaks = (
                _key(
                    leak.code, f"{leak.what}, {leak.size} bytes", start + leak.offset, f"; SHA-256 {leak.digest.hex()}"
                )
                for leak in find(Window.of(ByteView(window)))
                if leak.offset + leak.size < last or leak.offset < len(window) - _KEY_BYTES
            )
            self._refuse("private key", *leaks)
            if not self.findings:
                self._refuse(
                    "private key",
                    *(_key("leak.private-key", form.what, start + form.offset) for form in wrapped_keys(window)),
                )

    def _refuse(self, kind: str, *findings: Finding) -> None:
        if findings:
            self.kind, self.findings = kind, findings

    @property
    def because(self) -> str:
        """Why a file is passed over that nothing was found in, in words."""
        head = self._begins
        if not head:
            return "it is empty"
        if head.startswith(b"\x7fELF"):
            return f"ELF, {_elf(head)}"
        what = "other data" if b"\0" in head else "text"
        return f"{what}; no firmware, archive or private key in {self._size} bytes"


def _key(code: str, what: str, offset: int, known_by: str = "") -> Finding:
    return Finding(
        code,
        LEAK_CODES[code],
        Place(offset=offset),
        expected="no private key in what is released",
        found=what,
        hint="if this file is not shipped, give the gate the folder that is. Else take the key out, and make a new "
        f"one: what was released once is known{known_by}",
    )


def _elf(head: bytes) -> str:
    """Say why an ELF file is no firmware; e_type and e_machine, System V ABI chapter 4."""
    step = -1 if head[5:6] == b"\x02" else 1  # EI_DATA 2: the most significant byte comes first
    kind, machine = (int.from_bytes(head[at : at + 2][::step], "little") for at in (16, 18))
    names = {1: "an object file that is not linked", 4: "a core dump"}
    return names.get(kind, f"for another processor (machine {machine})")


def not_read(kind: str) -> Finding:
    """Say that firmware of a kind is refused unread."""
    if kind == OTHER_PACKAGE:
        hint = "give the package as imgseal pack has written it: it begins with D8 6B"
    elif kind == DAMAGED:
        hint = "save it as plain text that begins with its first record; give it to imgseal show"
    else:
        kind = f"{kind}, which is not read here"
        hint = "give the firmware as Intel HEX, S-records or ELF, sealed; an exception where it is none of this product"
    return finding("gate.unreadable", found=kind, hint=hint)
