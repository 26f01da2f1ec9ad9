"""The whole release log as a release needs it: verified, not shorter than its pin, searched for what was released."""

import hashlib
import os
import re
from collections.abc import Iterator
from contextlib import suppress
from typing import TYPE_CHECKING

from imgseal.errors import InputError, Place, UsageError, in_file
from imgseal.formats.log.entry import Entry, Logged, Reservation
from imgseal.formats.log.errors import LogError
from imgseal.formats.log.lines import EMPTY, Tip, entry_of, is_whole, resume, steps
from imgseal.formats.log.proof import Head, read_head
from imgseal.formats.log.tree import EMPTY_ROOT
from imgseal.limits import LOG_BYTES, PROOF_BYTES
from imgseal.records import NamedTuple
from imgseal.workspace.append import refuse_waiting
from imgseal.workspace.files import read_bounded, write_all
from imgseal.workspace.staging import Output

if TYPE_CHECKING:
    from imgseal.flow.contents import Contents
    from imgseal.formats.log.entry import Line
    from imgseal.workspace.project import Project

_BLOCK = 4 << 20
"""Bytes that are hashed as one: long logs are hashed by two threads."""

_ROOT = re.compile(rb'"root":"([0-9a-f]{64})"')


class VerifiedLog(NamedTuple):
    """A release log of which every line has been verified; `data` ends with the last one."""

    path: str
    data: bytes
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
        at = len(self.data) + (not self.data.endswith(b"\n"))  # as if the last line had its line feed
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

    def entry_over(self, offset: int) -> Logged:
        """Return the entry whose line holds an offset."""
        return self._at(self.data.rfind(b"\n", 0, offset) + 1)

    def of_version(self, product: str, version: str) -> Iterator[Entry | Reservation]:
        """Yield the releases and reservations of a version, the newest first."""
        words = f'"product":"{product}","version":"{version}","sequence":'.encode()
        at = self.data.rfind(words)
        while at >= 0:
            start = self.data.rfind(b"\n", 0, at) + 1
            entry = self._at(start)
            if isinstance(entry, Entry | Reservation):
                yield entry
            at = self.data.rfind(words, 0, start)

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
    """Read a log, and verify every line that was not verified before with the same bytes in front of it."""
    refuse_waiting(path, "release log")
    data = read_bounded(path, "release log", LOG_BYTES)
    end = data.rfind(b"\n") + 1
    rest = data[end:]
    bare = bool(rest) and is_whole(rest)
    known, blocks = _known(path, data)
    lines = data[known:end].split(b"\n")[:-1] + ([rest] if bare else [])
    tip = EMPTY
    if known:
        start = data.rfind(b"\n", 0, known - 1) + 1
        with in_file(path):
            tip = resume(data[start : known - 1], start)
    for step in steps(lines, path, tip):
        tip = step.tip
    if end != known:
        _hash(blocks, memoryview(data)[:end], known)
        _remember(path, end, _digest(blocks))
    return VerifiedLog(path, data if bare else data[:end], tip)


def _note_of(path: str) -> str | None:
    """Return where it is kept how much of a log was verified; None where the system says no folder for that."""
    cache = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    if not os.path.isabs(cache):
        return None
    name = hashlib.sha256(os.path.realpath(path).encode("utf-8", "surrogateescape")).hexdigest()
    return os.path.join(cache, "imgseal", "logs", name)


def _hash(blocks: "list[hashlib._Hash]", data: memoryview, start: int = 0) -> None:
    """Hash data from an offset on in blocks, two at a time; what is before `start` is in the blocks already."""
    first = start // _BLOCK
    blocks += [hashlib.sha256() for _ in range(len(blocks), -(-len(data) // _BLOCK))]

    def every_other(index: int) -> None:
        for number in range(index, len(blocks), 2):
            blocks[number].update(data[max(start, number * _BLOCK) : (number + 1) * _BLOCK])

    if len(blocks) - first < 2:
        every_other(first)
        return
    from threading import Thread

    other = Thread(target=every_other, args=(first + 1,))  # hashlib lets go of the interpreter meanwhile
    other.start()
    every_other(first)
    other.join()


def _digest(blocks: "list[hashlib._Hash]") -> str:
    return hashlib.sha256(b"".join([block.digest() for block in blocks])).hexdigest()


def _known(path: str, data: bytes) -> "tuple[int, list[hashlib._Hash]]":
    """Return how many bytes were verified before, and their blocks: the digest counts, whatever the note says."""
    note = _note_of(path)
    with suppress(InputError, ValueError):
        if note is not None:
            size, digest = read_bounded(note, "note", 128).split()
            count = int(size)
            if 0 < count <= len(data) and data[count - 1 : count] == b"\n":
                blocks: list[hashlib._Hash] = []
                _hash(blocks, memoryview(data)[:count])
                if _digest(blocks).encode() == digest:
                    return count, blocks
    return 0, []


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
