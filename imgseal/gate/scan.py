"""Scans one file that the gate has found, and what is in it where it is an archive; this work is what is spread."""

import hashlib
from functools import cached_property
from itertools import chain
from typing import BinaryIO, cast

from imgseal.check.judge import kind_of
from imgseal.errors import ImgsealError, InputError, visible
from imgseal.findings import Finding
from imgseal.flow.link_address import refuse_elsewhere
from imgseal.formats.archives.unpack import (
    GZIP,
    TAR,
    TAR_GZ,
    ZIP,
    Budget,
    Reopen,
    TooMuchError,
    archive_kind,
    clean,
    damage,
    entries,
    gunzipped,
    leads_out,
)
from imgseal.formats.archives.zip_archive import TAIL_BYTES, ends_as_zip
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.store import ByteStore
from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
from imgseal.formats.sealed_image.layout import MAGIC
from imgseal.formats.source import read
from imgseal.formats.source.detect import ELF, HEAD_BYTES, INTEL_HEX, S_RECORD
from imgseal.formats.source.recognise import firmware_kind
from imgseal.gate.artefact import (
    Found,
    Origin,
    Policy,
    Scanned,
    finding,
    origin_of_bytes,
    scan_firmware,
    scan_raw,
    scan_sealed,
    unreadable,
)
from imgseal.gate.discover import Task
from imgseal.gate.file import changed_since, file_bytes, kind_of_firmware
from imgseal.gate.leaks import leaks_beside
from imgseal.gate.passed import PassedOver, not_read
from imgseal.gate.payload import payload_beside
from imgseal.gate.vector_table import VectorTables
from imgseal.limits import ARCHIVE_DEPTH, ARTEFACT_BYTES, CHUNK, FIRMWARE_BYTES, HEADER_BLOCK_MAX
from imgseal.product.path_pattern import matches
from imgseal.records import NamedTuple
from imgseal.window import ByteView
from imgseal.workspace.files import NOT_REGULAR, on_disk, open_input

_SEALED = "sealed image"
_IN_MEMORY = 8 << 20
_WORDS = {INTEL_HEX: "Intel HEX", S_RECORD: "S-records", ELF: "ELF"}


class _Spot(NamedTuple):
    """Where something was found: in words, as patterns see it, and within how many archives."""

    name: str
    inside: str
    depth: int = 0


class _Awaited(NamedTuple):
    """A detached header of an archive, whose payload is still to be found: where its result goes."""

    at: int
    data: ByteView
    beside: tuple[Finding, ...]


def scan_file(task: Task, policy: Policy) -> tuple[Found, ...]:
    """Return what a file is or holds, in the order that it lies there, what is passed over included."""
    scan = _FileScan(task, policy)
    spot = _Spot(task.name, task.inside)
    try:
        with open_input(task.path, "file", 1 << 62, regular=True) as stream:
            changed = changed_since(task, stream)
            if changed is None:
                scan.one(spot, _again(stream), task.size)
                changed = changed_since(task, stream)
            if changed is not None:
                scan.refuse(spot, "file", changed)
    except InputError as error:
        swapped = error.found == NOT_REGULAR
        problem = finding("gate.changed", expected="a file", found=NOT_REGULAR) if swapped else unreadable(error)
        scan.refuse(spot, "file", problem)
    except TooMuchError as error:
        hint = "give what is in it as files, or make an exception for the archive"
        scan.refuse(spot, "archive", finding("gate.archive-limits", found=str(error), hint=hint))
    return tuple(each for each in scan.found if each is not None)


def _again(stream: BinaryIO) -> Reopen:
    def reopen() -> BinaryIO:
        stream.seek(0)
        return stream

    return reopen


def _tail(stream: BinaryIO, size: int) -> bytes:
    stream.seek(max(0, size - TAIL_BYTES))
    return stream.read(TAIL_BYTES)


class _FileScan:
    """One file on disk, and everything inside it."""

    def __init__(self, task: Task, policy: Policy) -> None:
        self.found: list[Found | None] = []
        self._task = task
        self._policy = policy
        self._raw = policy.raw
        self._budget = Budget(task.size)
        self._awaited: dict[tuple[int, bytes], list[_Awaited]] = {}  # by size and digest of the payload

    @cached_property
    def _tables(self) -> VectorTables:
        return VectorTables(target.product for target in self._policy.targets)

    def refuse(self, spot: _Spot, kind: str, *findings: Finding) -> None:
        """Add what is refused without a look."""
        self._add(spot, Scanned(kind, findings))

    def _add(self, spot: _Spot, scanned: Scanned) -> None:
        self.found.append(Found(spot.name, self._task.name, spot.inside, scanned))

    def one(self, spot: _Spot, reopen: Reopen, size: int) -> None:
        """Scan what `reopen` returns: a stream that can be positioned, of `size` bytes."""
        head = reopen().read(HEAD_BYTES)
        kind = kind_of(ByteView(head))
        before = len(self.found)
        if kind is not None:
            if self._fits(spot, kind, size, ARTEFACT_BYTES):
                self._judge(spot, ByteView(reopen().read(size + 1)), kind)
        elif (archive := archive_kind(head)) is not None:  # before records: an archive may show those of its members
            self._archive(spot, archive, reopen)
        elif (firmware := kind_of_firmware(head, reopen)) is not None:
            self._firmware(spot, firmware, reopen, size)
        elif (table := self._tables.first(head)) is not None or self._is_raw(spot):
            if self._fits(spot, "flat binary", size, ARTEFACT_BYTES):
                self._add(spot, scan_raw(ByteView(reopen().read(size + 1)), self._policy, table))
            return
        elif ends_as_zip(_tail(reopen(), size)):
            self._archive(spot, ZIP, reopen)
        else:
            passed, stream = PassedOver(self._tables, find_keys=self._policy.find_keys), reopen()
            while piece := stream.read(CHUNK):
                passed.take(piece)
            self._passed(spot, passed)
        if self._may_be_flat(before) and self._is_raw(spot):
            self._or_flat(before, spot, reopen, size)

    def _passed(self, spot: _Spot, passed: PassedOver, *, aside: bool = False) -> None:
        passed.take(b"")
        if passed.findings:
            self.refuse(spot, passed.kind, *passed.findings)
        elif not aside:
            self._add(spot, Scanned("file", (), passed=passed.because))

    def _or_flat(self, before: int, spot: _Spot, reopen: Reopen, size: int) -> None:
        """Let what was taken for something else be a flat binary as well: payloads begin as they like."""
        origin: Origin | None = None
        for at, each in enumerate(self.found[before:], before):
            if each is not None and each.inside == spot.inside and (each.scanned.findings or each.scanned.unsealed):
                origin = origin or origin_of_bytes(file_bytes(reopen(), size))
                self.found[at] = each._replace(scanned=each.scanned._replace(origins=(*each.scanned.origins, origin)))

    def _may_be_flat(self, before: int) -> bool:
        """Say whether anything was found since that is not good as it is."""
        return any(each is None or each.scanned.findings or each.scanned.unsealed for each in self.found[before:])

    def _is_raw(self, spot: _Spot) -> bool:
        return any(matches(pattern, spot.inside) for pattern in self._raw)

    def _fits(self, spot: _Spot, kind: str, size: int, limit: int) -> bool:
        if size > limit:
            expected, found = f"at most {limit} bytes", f"{size} bytes"
            self.refuse(spot, kind, finding("gate.unreadable", expected=expected, found=found))
        return size <= limit

    def _judge(self, spot: _Spot, data: ByteView, kind: str, beside: tuple[Finding, ...] = ()) -> None:
        """Judge at once, or when the rest of the archive has been searched for the payload of a detached header."""
        payload = _detached_payload(data) if spot.depth and kind == _SEALED else None
        if payload is not None:
            self._awaited.setdefault(payload, []).append(_Awaited(len(self.found), data, beside))
            self._add(spot, Scanned(kind, ()))
            return
        find_payload = payload_beside(self._task.path, self._policy)
        self._add(spot, scan_sealed(data, kind, self._policy, find_payload, beside))

    def _firmware(self, spot: _Spot, kind: str, reopen: Reopen, size: int) -> None:
        words = _WORDS.get(kind, kind)
        if kind not in _WORDS:
            self.refuse(spot, words, not_read(kind))
            return
        if not self._fits(spot, words, size, FIRMWARE_BYTES):
            return
        from tempfile import TemporaryFile

        def beside(image: MemoryImage | None) -> tuple[Finding, ...]:
            if not self._policy.find_keys:
                return ()
            return leaks_beside(file_bytes(reopen(), size), bytes(aside), image, plain=kind == ELF)

        aside = bytearray()
        with TemporaryFile() as file:
            store = ByteStore(file) if size > _IN_MEMORY else None
            try:
                image = read(reopen(), name=spot.name, kind=kind, store=store, aside=aside)
                region = image.regions[0]
                data = None
                if len(image.regions) == 1 and image.read(region.address, min(region.size, len(MAGIC))) == MAGIC:
                    data = ByteView(image.read(region.address, region.size))
                    products = [target.product for target in self._policy.targets]
                    refuse_elsewhere(data, region.address, products, spot.name)
            except ImgsealError as error:
                self.refuse(spot, words, unreadable(error), *beside(None))
                return
            if data is not None:
                self._judge(spot, data, _SEALED, beside(image))
            else:
                self._add(spot, scan_firmware(image, words, self._policy, beside(image)))

    def _archive(self, spot: _Spot, kind: str, reopen: Reopen) -> None:
        if kind not in (ZIP, TAR, GZIP):
            hint = "give what is in it as files, or pack it as zip, tar or tar.gz"
            self.refuse(spot, kind, finding("gate.archive-unsupported", found=kind, hint=hint))
            return
        if spot.depth >= ARCHIVE_DEPTH:
            raise TooMuchError(f"more than {ARCHIVE_DEPTH} archives inside one another, at {spot.name}")
        if not spot.depth:
            self._budget = Budget(on_disk(reopen()))
        waiting = self._awaited
        self._awaited = {}
        try:
            if kind == GZIP:
                self._gzip(spot, reopen)
            else:
                self._members(spot, kind, reopen)
        except Exception as error:  # noqa: BLE001 - `damage` raises again what is none of the archive
            self.refuse(spot, kind, _damaged(error))
        finally:
            for awaited in chain.from_iterable(self._awaited.values()):  # nobody has found their payloads
                self._settle(awaited, None)
            self._awaited = waiting

    def _gzip(self, spot: _Spot, reopen: Reopen) -> None:
        head = gunzipped(reopen, self._budget.again()).read(HEAD_BYTES)
        if archive_kind(head) == TAR:
            self._members(spot, TAR_GZ, reopen)
        else:
            self._content(spot._replace(depth=spot.depth + 1), gunzipped(reopen, self._budget))

    def _content(self, spot: _Spot, content: BinaryIO, *, aside: bool = False) -> None:
        """Look at a member, and read it to its end, whatever it begins with: damage shows only there.

        What is looked at lies in an unnamed temporary file meanwhile where it is large.
        """
        from tempfile import SpooledTemporaryFile

        head = content.read(HEAD_BYTES)
        wanted = (
            kind_of(ByteView(head)) is not None
            or archive_kind(head) is not None
            or firmware_kind(head) is not None
            or self._tables.first(head) is not None
            or (not aside and self._is_raw(spot))
        )
        passed = PassedOver(self._tables, find_keys=self._policy.find_keys)
        with SpooledTemporaryFile(max_size=_IN_MEMORY) as file:
            size, tail, piece = 0, b"", head
            while piece:
                size += len(piece)
                if wanted or size <= _IN_MEMORY:
                    file.write(piece)
                if not wanted:
                    tail = tail[-TAIL_BYTES:] + piece
                    passed.take(piece)
                piece = content.read(CHUNK)
            if wanted:
                self.one(spot, _again(cast("BinaryIO", file)), size)
            elif not ends_as_zip(tail[-TAIL_BYTES:]):
                self._passed(spot, passed, aside=aside)
            elif size <= _IN_MEMORY:
                self._archive(spot, ZIP, _again(cast("BinaryIO", file)))
            else:
                kind, hint = "zip archive behind something else", "give it as a file, or what is in it"
                self.refuse(spot, kind, finding("gate.archive-unsupported", found=f"{size} bytes", hint=hint))

    def _members(self, spot: _Spot, kind: str, reopen: Reopen) -> None:
        for entry in entries(kind, reopen, self._budget):
            name = clean(entry.name)
            inner = _Spot(f"{spot.name}/{name}", f"{spot.inside}/{name}", spot.depth + 1)
            problem = None
            if leads_out(entry.name) or (entry.link is not None and leads_out(entry.link, link=True)):
                found = entry.name if entry.link is None else f"{entry.name} -> {entry.link}"
                hint = "make the archive again, with paths below one folder"
                problem = finding("gate.archive-path", found=visible(found), hint=hint)
            elif entry.closed is not None:
                problem = finding("gate.archive-unsupported", found=entry.closed, hint="pack it as stored or deflated")
            elif entry.damaged is not None:
                problem = finding("gate.archive-unreadable", found=entry.damaged, hint="make the archive again")
            elif entry.link is not None and not entry.aside:
                self._add(inner, Scanned("link", (), passed=f"a link to {visible(entry.link)}"))
            elif entry.content is not None:
                try:
                    self._content(inner, entry.content, aside=entry.aside)
                except Exception as error:  # noqa: BLE001 - `damage` raises again what is none of the archive
                    problem = _damaged(error)
            if problem is not None:
                self.refuse(inner, "archive member", problem)
        if self._awaited:
            self._search(kind, reopen)

    def _search(self, kind: str, reopen: Reopen) -> None:
        """Read the archive once more, for the payloads of its detached headers; only what fits one is kept."""
        from tempfile import SpooledTemporaryFile

        sizes = {size for size, _ in self._awaited if size <= ARTEFACT_BYTES}
        for entry in entries(kind, reopen, self._budget.again()):
            if entry.size not in sizes or entry.content is None or entry.aside:
                continue
            with SpooledTemporaryFile(max_size=_IN_MEMORY) as file:
                digest = hashlib.sha256()
                try:
                    while piece := entry.content.read(CHUNK):
                        digest.update(piece)
                        file.write(piece)
                except Exception as error:  # noqa: BLE001 - as above; the member has been refused before
                    damage(error)
                    continue
                if (fitting := self._awaited.pop((entry.size, digest.digest()), None)) is not None:
                    file.seek(0)
                    payload = ByteView(file.read())
                    for awaited in fitting:
                        self._budget.payload(entry.size)
                        self._settle(awaited, payload)
            if not self._awaited:
                return

    def _settle(self, awaited: _Awaited, payload: ByteView | None) -> None:
        found = self.found[awaited.at]
        assert found is not None
        scanned = scan_sealed(awaited.data, _SEALED, self._policy, lambda _size, _digest: payload, awaited.beside)
        self.found[awaited.at] = found._replace(scanned=scanned)


def _damaged(error: Exception) -> Finding:
    """Turn the error of an archive into a finding; the error again where it is none of an archive."""
    found, place, hint = damage(error)
    return finding("gate.archive-unreadable", place=place, found=found, hint=hint)


def _detached_payload(data: ByteView) -> tuple[int, bytes] | None:
    """Return size and SHA-256 of the payload of a detached header; None of any other image."""
    try:
        statement = decode_header_block(bytes(data.read(0, HEADER_BLOCK_MAX))).statement
    except SealedFormatError:
        return None
    return (statement.payload_size, statement.payload_digest) if statement.detached else None
