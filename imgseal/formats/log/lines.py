"""The log as lines: each holds an entry, and what the next line needs, so that adding one reads the last line only.

A line is `{"at":OFFSET,"edge":[PEAKS],"root":ROOT,"entry":ENTRY}`: where in the file it begins, the peaks of the tree
before the entry, the root with it. A line ends with one line feed, which is written last: what has none and is no
complete line (`is_whole`) never happened.
"""

from collections.abc import Iterable, Iterator

from imgseal.errors import Place
from imgseal.formats.log.entry import Entry, Floor, LoggedPackage, encode_entry, read_entry
from imgseal.formats.log.errors import CURE, ForkError, GoingDownError, LogError, LogFormatError
from imgseal.formats.log.floors import raised, refuse_below
from imgseal.formats.log.strict_json import Node, encode, parse
from imgseal.formats.log.tree import EMPTY_ROOT, HASH_BYTES, PATH_MAX, leaf_hash, push, root_of
from imgseal.limits import LOG_LINE_BYTES
from imgseal.records import NamedTuple
from imgseal.versions import Version

_MARKERS = (b"<<<<<<<", b"|||||||", b"=======", b">>>>>>>")
_U63 = (1 << 63) - 1


class Draft(NamedTuple):
    """A release that is to be added; see `Entry`."""

    vendor: str
    product: str
    version: Version
    sequence: int
    built: int
    revision: bytes
    tool: str
    packages: tuple[LoggedPackage, ...]
    bootloader: Version | None = None


class Tip(NamedTuple):
    """Where a log ends: its entries, the offset of the next line, peaks and root of the tree, the floors."""

    size: int
    at: int
    peaks: tuple[bytes, ...]
    root: bytes
    least: tuple[Floor, ...]


EMPTY = Tip(0, 0, (), EMPTY_ROOT, ())
"""The tip of a log without entries."""


class Step(NamedTuple):
    """One line that was read: its entry, the entry's leaf hash, and the tip after it."""

    entry: Entry
    leaf: bytes
    tip: Tip


def added(tip: Tip, draft: Draft) -> tuple[bytes, Step]:
    """Return the line, without its line feed, that adds a release, and where the log then ends.

    GoingDownError where its numbers fall below the log's; LogFormatError where the line would not be read again.
    """
    draft = draft._replace(packages=tuple(sorted(draft.packages, key=lambda each: (each.class_id, each.variant))))
    refuse_below(tip.least, draft.packages, draft.sequence)
    least = raised(tip.least, draft.packages, draft.sequence, draft.bootloader)
    entry = Entry(tip.size, *draft[:-1], least, draft.bootloader)
    data = encode_entry(entry)
    read_entry(Node(parse(data, "entry"), "entry"))  # nothing is written that would not be read
    leaf = leaf_hash(data)
    peaks = push(tip.peaks, tip.size, leaf)
    root = root_of(peaks)
    line = _line(tip.at, tip.peaks, root, data)
    if len(line) > LOG_LINE_BYTES:
        raise _too_long(len(line))
    return line, Step(entry, leaf, Tip(tip.size + 1, tip.at + len(line) + 1, peaks, root, entry.least))


def _line(at: int, edge: tuple[bytes, ...], root: bytes, entry: bytes) -> bytes:
    head = encode({"at": at, "edge": [peak.hex() for peak in edge], "root": root.hex()})
    return head[:-1] + b',"entry":' + entry + b"}"


def _too_long(size: int) -> LogFormatError:
    return LogFormatError(
        "a line of the release log is longer than imgseal reads",
        expected=f"at most {LOG_LINE_BYTES} bytes",
        found=f"{size} bytes or more",
        hint="is it the right file?",
    )


class _Line(NamedTuple):
    at: int
    edge: tuple[bytes, ...]
    root: bytes
    entry: Entry
    leaf: bytes


def _read_line(data: bytes) -> _Line:
    """Read one line without its line feed; LogFormatError where it is none, ForkError for the marks of a merge."""
    if len(data) > LOG_LINE_BYTES:
        raise _too_long(len(data))
    if data.startswith(_MARKERS):
        raise ForkError(
            "the log forks: a merge has left its marks", found=data[:40].decode("ascii", "replace"), hint=CURE
        )
    node = Node(parse(data, "line of a release log"), "line")
    at = node.members("at", "edge", "root", "entry")
    offset = at["at"].integer(0, _U63)
    edge = tuple(peak.hexadecimal(HASH_BYTES, HASH_BYTES) for peak in at["edge"].items(0, PATH_MAX))
    root = at["root"].hexadecimal(HASH_BYTES, HASH_BYTES)
    entry = read_entry(at["entry"])
    encoded = encode_entry(entry)
    if _line(offset, edge, root, encoded) != data:
        raise LogFormatError(
            "this is another encoding of a line",
            expected="the one that docs/format/release-log.md describes, ended by one line feed",
            hint="restore the file from version control or a backup; keep version control from changing line ends:"
            " release.log -text in .gitattributes",
        )
    return _Line(offset, edge, root, entry, leaf_hash(encoded))


def is_whole(data: bytes) -> bool:
    """Whether bytes without a line feed at the end of a log are a line, and not what a writer that died has left.

    A line has to go on from the one before it like any other: that is for who reads it.
    """
    try:
        _read_line(data)
    except LogFormatError:
        return False
    except ForkError:
        return True  # nothing that is written here begins with the mark of a merge
    return True


def resume(data: bytes, at: int) -> Tip:
    """Return where a log ends from its last line alone, which begins at offset `at` of the file.

    LogFormatError where it cannot be read; ForkError where it was written for another place; LogError where it is
    not whole. What it says of the lines before it is taken on trust: `steps` is what verifies them.
    """
    line = _read_line(data)
    if line.at != at:
        raise _displaced(line, at)
    size = line.entry.number
    if len(line.edge) != size.bit_count():
        raise _not_continuing(line.entry.number, "its edge is of another size")
    peaks = push(line.edge, size, line.leaf)
    if root_of(peaks) != line.root:
        raise _not_continuing(line.entry.number, "its root is not that of its edge and entry")
    return Tip(size + 1, at + len(data) + 1, peaks, line.root, line.entry.least)


def _displaced(line: _Line, at: int) -> ForkError:
    return ForkError(
        "the log forks: this line was written for another place",
        expected=f"offset {line.at}, as the line says",
        found=f"offset {at}",
        hint=CURE,
    )


def _not_continuing(number: int, found: str) -> LogError:
    return LogError(
        f"entry {number} does not continue the entries before it",
        expected="edge and root of the log so far",
        found=found,
        hint="a line was changed, or put together from two logs: restore the file from version control or a backup",
    )


def steps(lines: Iterable[bytes], name: str, start: Tip = EMPTY) -> Iterator[Step]:
    """Verify a log line by line, from its beginning; lines come without their line feeds.

    Raises LogFormatError, LogError, or ForkError with the line.
    """
    tip = start
    for data in lines:
        try:
            step = _follow(tip, data)
        except (LogFormatError, LogError) as error:
            error.place = error.place._replace(file=name, line=tip.size + 1)
            raise
        yield step
        tip = step.tip


def _follow(tip: Tip, data: bytes) -> Step:
    line = _read_line(data)
    entry = line.entry
    if entry.number < tip.size:
        raise ForkError(
            f"the log forks: a second entry {entry.number}",
            place=Place(key="entry.number"),
            expected=f"entry {tip.size}",
            found=f"entry {entry.number}",
            hint=CURE,
        )
    if entry.number > tip.size:
        raise LogError(
            "entries are missing before this one",
            place=Place(key="entry.number"),
            expected=f"entry {tip.size}",
            found=f"entry {entry.number}",
            hint="restore the file from version control or a backup",
        )
    if line.edge != tip.peaks:
        raise _not_continuing(entry.number, "its edge is that of another log")
    if line.at != tip.at:
        raise _displaced(line, tip.at)
    peaks = push(tip.peaks, tip.size, line.leaf)
    if root_of(peaks) != line.root:
        raise _not_continuing(entry.number, "its root is not that of its edge and entry")
    try:
        least = raised(tip.least, entry.packages, entry.sequence, entry.bootloader)
    except GoingDownError as error:
        raise LogError(
            f"entry {entry.number}: {error.message}",
            place=error.place,
            expected=error.expected,
            found=error.found,
            hint="imgseal adds no such entry: the log was made or changed by something else",
        ) from None
    if least != entry.least:
        raise LogError(
            f"entry {entry.number} states other floors than follow from the log",
            place=Place(key="entry.least"),
            expected="the highest sequence and counters so far, by class and variant",
            hint="imgseal adds no such entry: the log was made or changed by something else",
        )
    return Step(entry, line.leaf, Tip(tip.size + 1, tip.at + len(data) + 1, peaks, line.root, least))
