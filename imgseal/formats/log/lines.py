"""The log as lines: each holds an entry, and what the next line needs, so that adding one reads the last line only.

A line is `{"at":OFFSET,"edge":[PEAKS],"root":ROOT,"entry":ENTRY}`: where in the file it begins, the peaks of the tree
before the entry, the root with it. A line ends with one line feed, which is written last: what has none and is no
complete line (`is_whole`) never happened.
"""

from collections.abc import Iterable, Iterator

from imgseal.errors import Place
from imgseal.formats.log.entry import (
    NEWEST,
    AddedSignature,
    DeliveryMade,
    Entry,
    Floor,
    Logged,
    Reservation,
    Withdrawal,
)
from imgseal.formats.log.entry_codec import decode_entry, encode_entry, read_entry
from imgseal.formats.log.errors import CURE, DOCUMENT, ForkError, GoingDownError, LogError, LogFormatError, compact
from imgseal.formats.log.floors import after, in_newest, refuse_below
from imgseal.formats.log.tree import EMPTY_ROOT, HASH_BYTES, PATH_MAX, leaf_hash, push, root_of
from imgseal.limits import LOG_LINE_BYTES
from imgseal.records import NamedTuple
from imgseal.values import Kind, array, hexadecimal, integer, record

_MARKERS = (b"<<<<<<<", b"|||||||", b"=======", b">>>>>>>")


class Tip(NamedTuple):
    """Where a log ends: its entries, the offset of the next line, peaks and root of the tree, the floors.

    `format` is that of the last entry: none of an older one can follow.
    """

    size: int
    at: int
    peaks: tuple[bytes, ...]
    root: bytes
    least: tuple[Floor, ...]
    format: int = 1


EMPTY = Tip(0, 0, (), EMPTY_ROOT, ())
"""The tip of a log without entries."""


class Step(NamedTuple):
    """One line that was read: its entry, the entry's leaf hash, and the tip after it."""

    entry: Logged
    leaf: bytes
    tip: Tip


def added(tip: Tip, draft: Logged) -> tuple[bytes, Step]:
    """Return the line, without its line feed, that adds an entry, and where the log then ends.

    Number and floors of the entry follow from the log.
    GoingDownError where its numbers fall below the log's; LogFormatError where the line would not be read again.
    """
    if isinstance(draft, Entry | Reservation):
        packages = tuple(sorted(draft.packages, key=lambda each: each.line))
        draft = draft._replace(packages=packages)
        refuse_below(tip.least, draft)
    entry = draft._replace(number=tip.size)
    entry = entry._replace(least=_after(tip, entry, tip.at))
    data = encode_entry(entry)
    decode_entry(data)  # nothing is written that would not be read
    leaf = leaf_hash(data)
    peaks = push(tip.peaks, tip.size, leaf)
    root = root_of(peaks)
    line = _line(tip.at, tip.peaks, root, data)
    if len(line) > LOG_LINE_BYTES:
        raise _too_long(len(line))
    return line, Step(entry, leaf, Tip(tip.size + 1, tip.at + len(line) + 1, peaks, root, entry.least, _format(entry)))


def _format(entry: Logged) -> int:
    return entry.format if isinstance(entry, Entry) else NEWEST


def _after(tip: Tip, entry: Logged, at: int) -> tuple[Floor, ...]:
    """Return the floors after an entry, as an entry of its format states them; LogFormatError for an older format."""
    if _format(entry) < tip.format and tip.format == NEWEST:
        raise LogFormatError(
            f"entry {entry.number} is of an older format than the one before it",
            expected=f"format {tip.format}",
            found=f"format {_format(entry)}",
            hint="imgseal adds no such entry: the log was made or changed by something else",
        )
    return after(in_newest(tip.least) if _format(entry) == NEWEST else tip.least, entry, at)


def _line(at: int, edge: tuple[bytes, ...], root: bytes, entry: bytes) -> bytes:
    head = compact({"at": at, "edge": [peak.hex() for peak in edge], "root": root.hex()})
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
    entry: Logged
    leaf: bytes = b""


_LINE = record(
    _Line,
    {
        "at": integer(0, (1 << 63) - 1),
        "edge": array(hexadecimal(HASH_BYTES), 0, PATH_MAX),
        "root": hexadecimal(HASH_BYTES),
        "entry": Kind(read_entry),
    },
)


def _read_line(data: bytes) -> _Line:
    """Read one line without its line feed; LogFormatError where it is none, ForkError for the marks of a merge."""
    if len(data) > LOG_LINE_BYTES:
        raise _too_long(len(data))
    if data.startswith(_MARKERS):
        raise ForkError(
            "the log forks: a merge has left its marks", found=data[:40].decode("ascii", "replace"), hint=CURE
        )
    # a key that stands twice is another encoding, which is compared below
    line = _LINE.read(DOCUMENT.node(data, "line of a release log", "line", unique=False))
    encoded = encode_entry(line.entry)
    if _line(line.at, line.edge, line.root, encoded) != data:
        raise LogFormatError(
            "this is another encoding of a line",
            expected="the one that docs/format/release-log.md describes, ended by one line feed",
            hint="restore the file from version control or a backup; keep version control from changing line ends:"
            " release.log -text in .gitattributes",
        )
    return line._replace(leaf=leaf_hash(encoded))


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
    if len(line.edge) != line.entry.number.bit_count():
        raise _not_continuing(line.entry.number, "its edge is of another size")
    return _behind(line, len(data))


def _behind(line: _Line, length: int) -> Tip:
    """Return where the log ends with a line of so many bytes; LogError where its own root is not what follows."""
    size = line.entry.number
    peaks = push(line.edge, size, line.leaf)
    if root_of(peaks) != line.root:
        raise _not_continuing(size, "its root is not that of its edge and entry")
    return Tip(size + 1, line.at + length + 1, peaks, line.root, line.entry.least, _format(line.entry))


def entry_of(data: bytes, at: int) -> Logged:
    """Return the entry of a line that begins at an offset; ForkError where it was written for another place."""
    line = _read_line(data)
    if line.at != at:
        raise _displaced(line, at)
    return line.entry


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
    released: dict[int, set[bytes]] = {}  # manifests by entry: what withdrawals and signatures speak of
    for data in lines:
        try:
            step = _follow(tip, data)
            if start is EMPTY:
                _refuse_foreign(step.entry, released)
        except (LogFormatError, LogError) as error:
            error.place = error.place._replace(file=name, line=tip.size + 1)
            raise
        yield step
        tip = step.tip


def _refuse_foreign(entry: Logged, released: dict[int, set[bytes]]) -> None:
    """LogError where an entry speaks of a release that is not the one that it names."""
    if isinstance(entry, Entry):
        number, manifests = entry.origin, set[bytes]()
    elif isinstance(entry, Withdrawal):
        number, manifests = entry.entry, {each.manifest for each in entry.packages}
    elif isinstance(entry, AddedSignature | DeliveryMade):
        number, manifests = entry.entry, {entry.manifest}
    else:
        return
    if number is not None and (number not in released or not manifests <= released[number]):
        raise LogError(
            f"entry {entry.number} speaks of packages that entry {number} does not have",
            place=Place(key="entry.entry"),
            expected=", ".join(digest.hex() for digest in sorted(released.get(number, ()))) or "an entry of a release",
            found=", ".join(digest.hex() for digest in sorted(manifests)) or f"entry {number}",
            hint="imgseal adds no such entry: the log was made or changed by something else",
        )
    if isinstance(entry, Entry):
        released[entry.number] = {package.manifest for package in entry.packages}


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
    behind = _behind(line, len(data))
    try:
        least = _after(tip, entry, tip.at)
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
            expected="what follows from the entries so far, by class and variant",
            hint="imgseal adds no such entry: the log was made or changed by something else",
        )
    return Step(entry, line.leaf, behind)
