"""The whole release log as a release needs it: verified, not shorter than its pin, searched for what was released."""

import hashlib
import mmap
import os
import re
from collections.abc import Iterator
from contextlib import suppress
from typing import TYPE_CHECKING, TypeAlias

from imgseal.errors import InputError, Place, UsageError, in_file
from imgseal.formats.log.entry import Entry, Logged, Reservation
from imgseal.formats.log.errors import LogError
from imgseal.formats.log.lines import EMPTY, Tip, entry_of, is_whole, resume, steps
from imgseal.formats.log.proof import Head, read_head
from imgseal.formats.log.tree import EMPTY_ROOT
from imgseal.limits import LOG_BYTES, LOG_LINE_BYTES, PROOF_BYTES
from imgseal.records import NamedTuple
from imgseal.workspace.append import refuse_waiting
from imgseal.workspace.files import open_input, read_bounded, write_all
from imgseal.workspace.session import session_or_none
from imgseal.workspace.staging import Output

if TYPE_CHECKING:
    from imgseal.flow.contents import Contents
    from imgseal.formats.log.entry import Line
    from imgseal.workspace.project import Project

_BLOCK = 4 << 20
"""Bytes that are hashed as one: long logs are read and hashed by two threads."""

_PIECE = 1 << 20
"""Bytes that are read and hashed at once, while they are near."""

_ROOT = re.compile(rb'"root":"([0-9a-f]{64})"')


Data: TypeAlias = mmap.mmap | bytes
"""The bytes of a log: memory of the process, which no file stands behind."""


class VerifiedLog(NamedTuple):
    """A release log of which every line has been verified; `data` ends with the last one."""

    path: str
    data: Data
    tip: Tip

    @property
    def head(self) -> Head:
        """The head of all of it."""
        return Head(self.tip.size, self.tip.root)

    def _start(self, number: int) -> int:
        """Return where the line of an entry begins, from the nearer end: what is asked for is mostly recent."""
        if number < self.tip.size // 2:
            at = 0
            for _ in range(number):
                at = self.data.find(b"\n", at) + 1
            return at
        at = len(self.data) + (self.data[-1:] != b"\n")  # as if the last line had its line feed
        for _ in range(self.tip.size - number):
            at = self.data.rfind(b"\n", 0, at - 1) + 1
        return at

    def head_at(self, size: int) -> Head | None:
        """Return the head that the log had with so many entries; None where it has never had as many."""
        if size == 0:
            return Head(0, EMPTY_ROOT)
        if size > self.tip.size:
            return None
        found = _ROOT.search(self.data, self._start(size - 1))
        assert found is not None
        return Head(size, bytes.fromhex(found[1].decode()))

    def entry(self, number: int) -> Logged | None:
        """Return the entry with a number; None where there is none."""
        return self._at(self._start(number)) if 0 <= number < self.tip.size else None

    def _at(self, start: int) -> Logged:
        end = self.data.find(b"\n", start)
        return entry_of(self.data[start : len(self.data) if end < 0 else end], start)

    def lines(self) -> Iterator[bytes]:
        """Yield every line, without its line feed."""
        at = 0
        while at < len(self.data):
            end = self.data.find(b"\n", at)
            end = len(self.data) if end < 0 else end
            yield self.data[at:end]
            at = end + 1

    def entries(self) -> Iterator[Logged]:
        """Yield every entry, the oldest first."""
        at = 0
        for line in self.lines():
            yield entry_of(line, at)
            at += len(line) + 1

    def entry_over(self, offset: int) -> Logged:
        """Return the entry whose line holds an offset."""
        return self._at(self.data.rfind(b"\n", 0, offset) + 1)

    def of_version(self, version: str) -> Iterator[Entry | Reservation]:
        """Yield the releases and reservations of a version, of whatever product, the newest first."""
        words, name = f'","version":"{version}","sequence":'.encode(), b'"product":"'
        at = self.data.rfind(words)
        while at >= 0:
            start = self.data.rfind(b"\n", 0, at) + 1
            named = self.data.find(name, start, at)
            # not the row of a channel, which says what was released last
            if named >= 0 and self.data.find(b'"', named + len(name), at) < 0:
                entry = self._at(start)
                if isinstance(entry, Entry | Reservation):
                    yield entry
            at = self.data.rfind(words, 0, at)

    def last_of(self, line: "Line", channel: str) -> Entry | None:
        """Return the release with the highest sequence that a channel of a class and variant has."""
        floor = next((floor for floor in self.tip.least if floor.line == line), None)
        if floor is None or not floor.manifest:
            return None
        row = next((row for row in floor.channels if row.channel == channel), None)
        if row is not None:
            found = self.entry(row.entry)
            return found if isinstance(found, Entry) else None
        if floor.channels:
            return None
        return self.of_manifest(floor.manifest)  # all of it is of older formats

    def has_delivery(self, manifest: bytes) -> bool:
        """Say whether a delivery with this manifest digest was logged."""
        return self.data.find(f'"delivery":"{manifest.hex()}"'.encode()) >= 0

    def of_manifest(self, manifest: bytes) -> Entry | None:
        """Return the release that a package with this manifest digest belongs to; None where it was never released."""
        at = self.data.find(f'"manifest":"{manifest.hex()}","keys"'.encode())
        while at >= 0:
            found = self._at(self.data.rfind(b"\n", 0, at) + 1)
            if isinstance(found, Entry):
                return found
            at = self.data.find(f'"manifest":"{manifest.hex()}","keys"'.encode(), at + 1)
        return None

    def first_of(self, class_id: bytes) -> Entry | None:
        """Return the first release of a class; None where it has none."""
        for number in range(self.tip.size if any(floor.class_id == class_id for floor in self.tip.least) else 0):
            entry = self.entry(number)
            if isinstance(entry, Entry) and any(package.class_id == class_id for package in entry.packages):
                return entry
        return None


def verified_log(path: str) -> VerifiedLog:
    """Read a log, and verify every line that was not verified before with the same bytes in front of it.

    It is read once in a session, and again where the file has changed: another release may have come first.
    """
    session = session_or_none()
    if session is None:
        return _read(path)
    name, like = os.path.realpath(path), _like(path)
    if name not in session.logs or session.logs[name][0] != like:
        session.logs[name] = like, _read(path)
    found: VerifiedLog = session.logs[name][1]
    return found._replace(path=path)


def _like(path: str) -> tuple[int, ...]:
    """Return what tells a file from the one that it was, before it is read; nothing where there is none."""
    try:
        found = os.stat(path)
    except OSError:
        return ()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def _read(path: str) -> VerifiedLog:
    refuse_waiting(path, "release log")
    known, digest = _noted(path)
    data, blocks = _loaded(path, known)
    if not known or data[known - 1 : known] != b"\n" or _digest(blocks) != digest:
        known, blocks = 0, []
    end = data.rfind(b"\n") + 1
    rest = data[end:]
    bare = len(rest) > LOG_LINE_BYTES or (bool(rest) and is_whole(rest))  # what is too long is refused as a line
    lines = data[known:end].split(b"\n")[:-1] + ([rest] if bare else [])
    tip = EMPTY
    if known:
        start = data.rfind(b"\n", 0, known - 1) + 1
        with in_file(path):
            tip = resume(data[start : known - 1], start)
    for step in steps(lines, path, tip):
        tip = step.tip
    if end != known:
        for start in range(known, end, _BLOCK):
            _hash(blocks, memoryview(data)[start : min(start + _BLOCK, end)], start)
        _remember(path, end, _digest(blocks))
    return VerifiedLog(path, data if bare or end == len(data) else data[:end], tip)


def _loaded(path: str, count: int) -> "tuple[Data, list[hashlib._Hash]]":
    """Read a log, and hash its first `count` bytes in blocks; fewer are hashed where the file has fewer.

    Two threads take every other block each: both reading and hashing let go of the interpreter.
    """
    with open_input(path, "release log", LOG_BYTES) as stream:
        size = os.fstat(stream.fileno()).st_size
        data = _new_memory(size) if size else b""
        blocks = [hashlib.sha256() for _ in range(-(-min(count, size) // _BLOCK))]
        ends, errors = [size], list[OSError]()

        def every_other(first: int) -> None:
            try:
                with memoryview(data) as view:
                    for start in range(first, size, 2 * _BLOCK):
                        for at in range(start, min(start + _BLOCK, size), _PIECE):
                            piece = view[at : min(at + _PIECE, start + _BLOCK)]
                            if (found := os.preadv(stream.fileno(), [piece], at)) < len(piece):
                                ends.append(at + found)  # it was cut meanwhile: what is cut off is no line
                            if at < count:
                                _hash(blocks, view[at : min(at + len(piece), count)], at)
            except OSError as error:
                errors.append(error)

        if size <= _BLOCK:
            every_other(0)
        else:
            from threading import Thread

            other = Thread(target=every_other, args=(_BLOCK,))
            other.start()
            every_other(0)
            other.join()
        if errors:
            raise errors[0]
    return data if min(ends) == size else data[: min(ends)], blocks


def _new_memory(size: int) -> mmap.mmap:
    """Return memory of the process alone, in large pages where the system has them: there it takes a fifth of the time.

    A bytearray would be filled with zeros first, by one thread.
    """
    data = mmap.mmap(-1, size, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    with suppress(AttributeError, OSError):
        data.madvise(mmap.MADV_HUGEPAGE)
    return data


def _hash(blocks: "list[hashlib._Hash]", piece: memoryview, at: int) -> None:
    """Add what begins at an offset, and lies in two blocks at most, to the hashes of these; a new one is begun."""
    while piece:
        number, inside = divmod(at, _BLOCK)
        if number == len(blocks):
            blocks.append(hashlib.sha256())
        part = piece[: _BLOCK - inside]
        blocks[number].update(part)
        piece, at = piece[len(part) :], at + len(part)


def _note_of(path: str) -> str | None:
    """Return where it is kept how much of a log was verified; None where the system says no folder for that."""
    cache = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    if not os.path.isabs(cache):
        return None
    name = hashlib.sha256(os.path.realpath(path).encode("utf-8", "surrogateescape")).hexdigest()
    return os.path.join(cache, "imgseal", "logs", name)


def _digest(blocks: "list[hashlib._Hash]") -> str:
    return hashlib.sha256(b"".join([block.digest() for block in blocks])).hexdigest()


def _noted(path: str) -> tuple[int, str]:
    """Return how many bytes were verified before, and their digest, which is what counts; 0 where nothing is noted."""
    note = _note_of(path)
    with suppress(InputError, ValueError):
        if note is not None:
            size, digest = read_bounded(note, "note", 128).decode("ascii").split()
            return max(0, int(size)), digest
    return 0, ""


def _remember(path: str, size: int, digest: str) -> None:
    """Keep the digest of what was verified; where that cannot be written the next release verifies all of it."""
    note = _note_of(path)
    if note is not None:
        with suppress(InputError, UsageError):
            write_all([Output(note, [f"{size} {digest}\n".encode()])])


def open_log(project: "Project", before: "Contents | None" = None) -> VerifiedLog | None:
    """Return the log that a release of the project is added to; None where the product file states none.

    UsageError where the stated log is missing, LogError where it does not verify, does not go on from its pin, or is
    not what the previous package says of it.
    """
    path = project.log_path
    if path is None:
        return None
    log = pinned_log(project, path)
    if before is not None:
        _refuse_other_log(log, before)
    return log


def pinned_log(project: "Project", path: str) -> VerifiedLog:
    """Return the log of the project, which has to go on from its pin."""
    refuse_missing(project, path)
    pinned = pinned_head(project)  # first: a log that others add to meanwhile has what they pin
    log = verified_log(path)
    if pinned is not None:
        refuse_unless_continues(log, pinned, f"{project.pin_path} says", "the file")
    return log


def stated_log(project: "Project") -> str:
    """Return the path of the product's log; UsageError where it states none."""
    if project.log_path is None:
        raise UsageError(
            "the product file states no release log",
            place=project.product.place("log.path"),
            expected='path = "release.log" in [log]',
            hint="state one, and begin it: imgseal log new; imgseal log show --log FILE reads one that none states",
        )
    return project.log_path


def refuse_missing(project: "Project", path: str) -> None:
    """UsageError where the stated log is not there."""
    if not os.path.lexists(path):
        raise UsageError(
            "the release log is not there",
            place=Place(file=path, key="log.path"),
            expected=f"the log that {project.product.place('log').file} states",
            hint="restore it from version control or a backup; imgseal log new begins one, where nothing was released",
        )


def pinned_head(project: "Project") -> Head | None:
    """Return the head that the pin holds; None where none is stated, UsageError where it is missing or none."""
    path = project.pin_path
    if path is None:
        return None
    if not os.path.lexists(path):
        raise UsageError(
            "the pin of the release log is not there",
            place=Place(file=path, key="log.pin"),
            expected="a file with the head of the log",
            hint="restore it from version control; imgseal log pin writes it anew, once you know that the log is whole",
        )
    data = read_bounded(path, "pin", PROOF_BYTES)
    head = read_head(data.decode("ascii", "replace").strip())
    if head is None:
        raise UsageError(
            "this pin holds no head",
            place=Place(file=path),
            expected="SIZE:ROOT with 64 hex digits",
            found=repr(data[:80]),
            hint="restore it from version control; imgseal log pin writes it",
        )
    return head


def refuse_unless_continues(log: VerifiedLog, head: Head, who: str, what: str) -> None:
    """LogError unless the log had this head when it was as long."""
    found = log.head_at(head.size)
    if found != head:
        raise LogError(
            "the release log is shorter than it was" if found is None else "this is not the release log that it was",
            place=Place(file=log.path),
            expected=f"{head}, as {who}",
            found=str(log.head if found is None else found),
            hint=f"restore the log from version control or a backup; if another log is meant, {what} is the wrong one",
        )


def _refuse_other_log(log: VerifiedLog, before: "Contents") -> None:
    """LogError unless the log goes on from the head in the previous package, and holds that package.

    One without a head was made without a log, or before packages carried its head: it may be older than the log.
    """
    if before.witness is not None:
        refuse_unless_continues(log, before.witness, f"{before.name} says", "the package")
    else:
        first = next((log.first_of(image.statement.class_id) for image in before.images.values()), None)
        if first is None or before.sequence < first.sequence:
            return
    if log.of_manifest(before.manifest_digest) is None:
        raise LogError(
            "the release log does not hold the previous package",
            place=Place(file=log.path),
            expected=f"manifest {before.manifest_digest.hex()}, of {before.name}",
            found=f"{log.tip.size} entries without it",
            hint="restore the log from version control or a backup; it was cut off, or the package was never released",
        )
