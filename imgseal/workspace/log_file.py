"""Reads a release log from its file, line by line, verifying it on the way."""

import os
from collections.abc import Iterator
from typing import BinaryIO

from imgseal.errors import Place, UsageError, in_file
from imgseal.formats.log.entry import NEWEST, Entry, Logged
from imgseal.formats.log.errors import LogError
from imgseal.formats.log.lines import EMPTY, Step, entry_of, is_whole, steps
from imgseal.formats.log.proof import Head, read_head
from imgseal.formats.log.tree import EMPTY_ROOT
from imgseal.limits import LOG_BYTES, LOG_LINE_BYTES, PROOF_BYTES
from imgseal.records import NamedTuple
from imgseal.workspace.files import open_input


class Pin(NamedTuple):
    """A head that a log has to go on from, and the file that holds it."""

    head: Head
    path: str


class LogFile:
    """A release log that is read once; the other attributes say what there was when `walk` has come to its end.

    Where there is a `pin` it has to go on from that, which `walk` says at its end.

    `torn` counts the bytes of a last line that was cut: never acknowledged, and not an entry. `bare` says that the last
    entry is complete and has no line feed: the next release adds it. `older` counts the entries of older formats.
    """

    __slots__ = ("bare", "leaves", "older", "path", "pin", "tip", "torn")

    def __init__(self, path: str, pin: Pin | None = None) -> None:
        self.path = path
        self.pin = pin
        self.leaves: list[bytes] = []
        self.tip = EMPTY
        self.torn = 0
        self.older = 0
        self.bare = False

    def walk(self) -> Iterator[Step]:
        """Yield each entry as it is verified; InputError or LogError with the line where the log does not hold."""
        root = EMPTY_ROOT if self.pin is not None and self.pin.head.size == 0 else None
        with open_input(self.path, "release log", LOG_BYTES) as stream:
            for step in steps(self._lines(stream), self.path):
                self.leaves.append(step.leaf)
                self.tip = step.tip
                self.older += step.tip.format < NEWEST
                if self.pin is not None and self.pin.head.size == step.tip.size:
                    root = step.tip.root
                yield step
        if self.pin is not None:
            refuse_unless_continued(self, self.pin.head, root, self.pin.path)

    def read(self) -> None:
        """Go to its end; raises as `walk`."""
        for _ in self.walk():
            pass

    def releases(self) -> Iterator[Entry]:
        """Yield each release, and promotion, as it is verified."""
        for step in self.walk():
            if isinstance(step.entry, Entry):
                yield step.entry

    def _lines(self, stream: BinaryIO) -> Iterator[bytes]:
        while data := stream.readline(LOG_LINE_BYTES + 2):
            if data.endswith(b"\n"):
                yield data[:-1]
            elif len(data) > LOG_LINE_BYTES + 1:
                yield data  # refused as too long
            elif is_whole(data):
                self.bare = True
                yield data
            else:
                self.torn = len(data)

    @property
    def head(self) -> Head:
        """The head of what was read."""
        return Head(self.tip.size, self.tip.root)


def entry_at(path: str, at: int) -> Logged:
    """Return the entry whose line begins at an offset of the file; nothing but the line itself is verified."""
    with open_input(path, "release log", LOG_BYTES) as stream:
        stream.seek(at)
        line = stream.readline(LOG_LINE_BYTES + 2)
    with in_file(path):
        return entry_of(line.removesuffix(b"\n"), at)


def pick(entries: list[Entry], release: str, path: str, size: int) -> Entry:
    """Return the one entry that was found for a release; UsageError where it is none or several."""
    if not entries:
        other = release.isdecimal() and len(release) < 10 and int(release) < size
        raise UsageError(
            "this entry of the log is no release" if other else "no such release in the log",
            place=Place(file=path),
            expected=f"a version that is logged, or the number of a release, below {size}",
            found=release,
            hint="imgseal log show lists them",
        )
    if len(entries) > 1:
        raise UsageError(
            "several releases have this version",
            place=Place(file=path),
            expected=f"an entry number: {', '.join(str(entry.number) for entry in entries)}",
            found=release,
            hint="name the release by its entry number",
        )
    return entries[0]


def older_head(text: str) -> Head:
    """Return the head that `--against` names: `SIZE:ROOT`, a file that holds one, or an older copy of the log."""
    head = read_head(text)
    if head is not None:
        return head
    start = b""
    if os.path.lexists(text):
        with open_input(text, "older head or log", LOG_BYTES) as stream:
            start = stream.read(PROOF_BYTES)
        if start[:1] == b"\xd8":  # a tag of CBOR: no text begins so
            return _carried(text)
    if not start.isascii() or not os.path.lexists(text):
        raise UsageError(
            "this is neither a head nor a file that has one",
            place=Place(key="--against"),
            expected="SIZE:ROOT with 64 hex digits, a file that holds one, an older copy of the log, or a package",
            found=text if start.isascii() else f"{text}, which is none of these",
            hint="imgseal log verify prints the head; a package carries one, and not the images in it",
        )
    for line in start.decode("ascii", "replace").splitlines():  # also what `log verify` has printed
        head = read_head(line.strip().removeprefix("head "))
        if head is not None:
            return head
    log = LogFile(text)
    log.read()
    return log.head


def _carried(path: str) -> Head:
    """Return the head that a package carries; UsageError where it carries none."""
    from imgseal.formats.suit.envelope import decode_envelope
    from imgseal.formats.suit.named_bill import witness_of
    from imgseal.workspace.packages import load_package

    data = load_package(path)
    with in_file(path):
        head = read_head(witness_of(decode_envelope(data.read(0, data.size))) or "")
    if head is None:
        raise UsageError(
            "this package carries no head of a release log",
            place=Place(file=path),
            expected="a package that was released with a log",
            hint="its text may have been taken out; name a head, or an older copy of the log",
        )
    return head


def refuse_unless_continued(log: LogFile, older: Head, root: bytes | None, pin: str = "") -> None:
    """LogError unless the log, read to its end, had this root when it was as long as the older head.

    `pin` is the file that holds the head, where it is the product file's pin.
    """
    says = f", as {pin} says" if pin else ""
    if root is None:
        raise LogError(
            "the log is shorter than it was",
            place=Place(file=log.path),
            expected=f"at least {older.size} entries, as in {older}{says}",
            found="1 entry" if log.head.size == 1 else f"{log.head.size} entries",
            hint="entries were taken away, or this is another log: restore the file from version control or a backup",
        )
    if root != older.root:
        raise LogError(
            "the log does not continue the older one",
            place=Place(file=log.path),
            expected=f"{older}{says}",
            found=str(Head(older.size, root)),
            hint="an older entry was changed, or this is another log: restore it from version control or a backup",
        )
