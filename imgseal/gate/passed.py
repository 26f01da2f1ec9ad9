"""Searches a file that begins neither as firmware nor as an archive, in one pass to its end, for what it may hide."""

from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.archives.tar_stream import BLOCK, header_in
from imgseal.formats.archives.unpack import TAR
from imgseal.formats.source.recognise import OTHER_PACKAGE, Search
from imgseal.formats.source.unread_text import DAMAGED
from imgseal.gate.artefact import finding
from imgseal.gate.leaks import leaks_beside
from imgseal.limits import BARE_KEY_BYTES, PASSED_OVER_BYTES
from imgseal.window import ByteView


class PassedOver:
    """Takes the file in pieces; `kind` and `findings` are what it is refused as, where it is."""

    __slots__ = ("_at", "_rest", "_search", "_small", "findings", "kind")

    def __init__(self, *, find_keys: bool) -> None:
        self.kind = ""
        self.findings: tuple[Finding, ...] = ()
        self._search = Search()
        self._small: bytearray | None = bytearray() if find_keys else None
        self._rest = b""
        self._at = 0

    def take(self, piece: bytes) -> None:
        """Go on behind the pieces before; an empty one is the end of the file."""
        if self.findings:
            return
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
        self._rest = blocks[whole:]
        self._at += whole
        if self._small is not None:
            self._small += piece
            if len(self._small) > BARE_KEY_BYTES:
                self._small = None
            elif not piece and not self.findings:
                leaks = leaks_beside(ByteView(bytes(self._small)), b"", None, plain=False)
                expected = "no private key in what is released"
                self._refuse("private key", *(leak._replace(expected=expected) for leak in leaks))
        if self._at > PASSED_OVER_BYTES:
            found = f"more than {PASSED_OVER_BYTES} bytes that are no archive"
            self._refuse("file", finding("gate.unreadable", found=found))

    def _refuse(self, kind: str, *findings: Finding) -> None:
        self.kind, self.findings = kind, findings


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
