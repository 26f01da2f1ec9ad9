"""Looks at one file that the gate has found, and into it where it is an archive; this is the work that is spread."""

import hashlib
from typing import TYPE_CHECKING, BinaryIO, cast

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
from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
from imgseal.formats.sealed_image.layout import MAGIC
from imgseal.formats.source import read
from imgseal.formats.source.detect import ELF, HEAD_BYTES, INTEL_HEX, S_RECORD
from imgseal.formats.source.recognise import firmware_kind
from imgseal.gate.artefact import (
    Brief,
    Looked,
    Way,
    as_it_is,
    finding,
    look_at_firmware,
    look_at_raw,
    look_at_sealed,
    unreadable,
)
from imgseal.gate.discover import Task
from imgseal.gate.file import FileBytes, changed_since, kind_of_firmware
from imgseal.gate.leaks import look_beside
from imgseal.gate.passed import Passed, not_read
from imgseal.gate.payload import payload_beside
from imgseal.gate.run import Found
from imgseal.limits import ARCHIVE_DEPTH, ARTEFACT_BYTES, CHUNK, FIRMWARE_BYTES, HEADER_BLOCK_MAX
from imgseal.product.path_pattern import matches
from imgseal.records import NamedTuple
from imgseal.window import ByteView
from imgseal.workspace.files import NOT_REGULAR, on_disk, open_input

if TYPE_CHECKING:
    from imgseal.formats.memory.image import MemoryImage

_IN_MEMORY = 8 << 20
_WORDS = {INTEL_HEX: "Intel HEX", S_RECORD: "S-records", ELF: "ELF"}


class _Spot(NamedTuple):
    """Where something was found: in words, and as patterns see it."""

    name: str
    inside: str


class _Awaited(NamedTuple):
    """A detached header of an archive, whose payload is still to be found: where its result goes."""

    at: int
    size: int
    digest: bytes
    data: ByteView
    kind: str
    beside: tuple[Finding, ...] = ()


def look_at(task: Task, brief: Brief) -> tuple[Found, ...]:
    """Return what a file is or holds, in the order that it lies there; nothing for what is no firmware."""
    look = _Look(task, brief)
    spot = _Spot(task.name, task.inside)
    try:
        with open_input(task.path, "file", 1 << 62, regular=True) as stream:
            changed = changed_since(task, stream)
            if changed is None:
                look.one(spot, _again(stream), task.size, 0)
                changed = changed_since(task, stream)
            if changed is not None:
                look.refuse(spot, "file", changed)
    except InputError as error:
        swapped = error.found == NOT_REGULAR
        problem = finding("gate.changed", expected="a file", found=NOT_REGULAR) if swapped else unreadable(error)
        look.refuse(spot, "file", problem)
    except TooMuchError as error:
        look.refuse(spot, "archive", _too_much(str(error)))
    return tuple(each for each in look.found if each is not None)


def _again(stream: BinaryIO) -> Reopen:
    def reopen() -> BinaryIO:
        stream.seek(0)
        return stream

    return reopen


def _tail(stream: BinaryIO, size: int) -> bytes:
    stream.seek(max(0, size - TAIL_BYTES))
    return stream.read(TAIL_BYTES)


def _too_much(found: str) -> Finding:
    return finding(
        "gate.archive-limits", found=found, hint="give what is in it as files, or make an exception for the archive"
    )


class _Look:
    """One file on disk, and everything inside it."""

    def __init__(self, task: Task, brief: Brief) -> None:
        self.found: list[Found | None] = []
        self._task = task
        self._brief = brief
        self._raw = brief.settings[0].product.gate.raw
        self._budget = Budget(task.size)
        self._awaited: dict[tuple[int, bytes], list[_Awaited]] = {}  # by size and digest of the payload

    def refuse(self, spot: _Spot, kind: str, *findings: Finding) -> None:
        """Add what is refused without a look."""
        self._add(spot, Looked(kind, findings))

    def _add(self, spot: _Spot, looked: Looked) -> None:
        self.found.append(Found(spot.name, self._task.name, spot.inside, looked))

    def one(self, spot: _Spot, reopen: Reopen, size: int, depth: int) -> None:
        """Look at what `reopen` returns: a stream that can be positioned, of `size` bytes."""
        head = reopen().read(HEAD_BYTES)
        kind = kind_of(ByteView(head))
        before = len(self.found)
        if kind is not None:
            self._sealed(spot, kind, reopen, size, in_archive=depth > 0)
        elif (archive := archive_kind(head)) is not None:  # before records: an archive may show those of its members
            self._archive(spot, archive, reopen, depth)
        elif (firmware := kind_of_firmware(head, reopen)) is not None:
            self._firmware(spot, firmware, reopen, size, in_archive=depth > 0)
        elif self._is_raw(spot):
            data = self._whole(spot, "flat binary", reopen, size)
            if data is not None:
                self._add(spot, look_at_raw(data, self._brief))
            return
        elif ends_as_zip(_tail(reopen(), size)):
            self._archive(spot, ZIP, reopen, depth)
        else:
            passed, stream = Passed(scan=self._brief.scan), reopen()
            while piece := stream.read(CHUNK):
                passed.take(piece)
            self._passed(spot, passed)
        if self._is_raw(spot):
            self._or_flat(before, spot, reopen, size)

    def _passed(self, spot: _Spot, passed: Passed) -> None:
        passed.take(b"")
        if passed.findings:
            self.refuse(spot, passed.kind, *passed.findings)

    def _or_flat(self, before: int, spot: _Spot, reopen: Reopen, size: int) -> None:
        """Let what was taken for something else be a flat binary as well: payloads begin as they like."""
        way: Way | None = None
        for at, each in enumerate(self.found[before:], before):
            if each is not None and each.inside == spot.inside and (each.looked.findings or each.looked.unsealed):
                way = way or as_it_is(FileBytes(reopen(), size))
                self.found[at] = each._replace(looked=each.looked._replace(ways=(*each.looked.ways, way)))

    def _is_raw(self, spot: _Spot) -> bool:
        return any(matches(pattern, spot.inside) for pattern in self._raw)

    def _whole(self, spot: _Spot, kind: str, reopen: Reopen, size: int) -> ByteView | None:
        if size > ARTEFACT_BYTES:
            self.refuse(
                spot,
                kind,
                finding("gate.unreadable", expected=f"at most {ARTEFACT_BYTES} bytes", found=f"{size} bytes"),
            )
            return None
        return ByteView(reopen().read(size + 1))

    def _sealed(self, spot: _Spot, kind: str, reopen: Reopen, size: int, *, in_archive: bool) -> None:
        data = self._whole(spot, kind, reopen, size)
        if data is not None:
            self._judge(spot, data, kind, in_archive=in_archive)

    def _judge(
        self, spot: _Spot, data: ByteView, kind: str, *, in_archive: bool, beside: tuple[Finding, ...] = ()
    ) -> None:
        """Judge at once, or when the rest of the archive has been searched for the payload of a detached header."""
        if in_archive and (awaited := _detached(data, kind, len(self.found))) is not None:
            same = self._awaited.setdefault((awaited.size, awaited.digest), [])
            same.append(awaited._replace(beside=beside))
            self.found.append(Found(spot.name, self._task.name, spot.inside, Looked(kind, ())))
            return
        self._add(spot, look_at_sealed(data, kind, self._brief, payload_beside(self._task.path, self._brief), beside))

    def _firmware(self, spot: _Spot, kind: str, reopen: Reopen, size: int, *, in_archive: bool) -> None:
        words = _WORDS.get(kind, kind)
        if kind not in _WORDS:
            self.refuse(spot, words, not_read(kind))
            return
        if size > FIRMWARE_BYTES:
            self.refuse(
                spot,
                words,
                finding("gate.unreadable", expected=f"at most {FIRMWARE_BYTES} bytes", found=f"{size} bytes"),
            )
            return
        from tempfile import TemporaryFile

        from imgseal.formats.memory.store import FileStore

        def beside(image: "MemoryImage | None") -> tuple[Finding, ...]:
            if not self._brief.scan:
                return ()
            return look_beside(FileBytes(reopen(), size), bytes(aside), image, plain=kind == ELF)

        aside = bytearray()
        with TemporaryFile() as file:
            store = FileStore(file) if size > _IN_MEMORY else None
            try:
                image = read(reopen(), name=spot.name, kind=kind, store=store, aside=aside)
                region = image.regions[0]
                data = None
                if len(image.regions) == 1 and image.read(region.address, min(region.size, len(MAGIC))) == MAGIC:
                    data = ByteView(image.read(region.address, region.size))
                    products = [setting.product for setting in self._brief.settings]
                    refuse_elsewhere(data, region.address, products, spot.name)
            except ImgsealError as error:
                self.refuse(spot, words, unreadable(error), *beside(None))
                return
            if data is not None:
                self._judge(spot, data, "sealed image", in_archive=in_archive, beside=beside(image))
            else:
                self._add(spot, look_at_firmware(image, words, self._brief, beside(image)))

    def _archive(self, spot: _Spot, kind: str, reopen: Reopen, depth: int) -> None:
        if kind not in (ZIP, TAR, GZIP):
            hint = "give what is in it as files, or pack it as zip, tar or tar.gz"
            self.refuse(spot, kind, finding("gate.archive-unsupported", found=kind, hint=hint))
            return
        if depth >= ARCHIVE_DEPTH:
            raise TooMuchError(f"more than {ARCHIVE_DEPTH} archives inside one another, at {spot.name}")
        if depth == 0:
            self._budget = Budget(on_disk(reopen()))
        waiting = self._awaited
        self._awaited = {}
        try:
            if kind == GZIP:
                self._gzip(spot, reopen, depth)
            else:
                self._members(spot, kind, reopen, depth)
        except TooMuchError:
            raise
        except Exception as error:  # noqa: BLE001 - `damage` raises again what is none of the archive
            self.refuse(spot, kind, _damaged(error))
        finally:
            for awaited in (
                each for same in self._awaited.values() for each in same
            ):  # nobody has found their payloads
                self._settle(awaited, None)
            self._awaited = waiting

    def _gzip(self, spot: _Spot, reopen: Reopen, depth: int) -> None:
        head = gunzipped(reopen, self._budget.again()).read(HEAD_BYTES)
        if archive_kind(head) == TAR:
            self._members(spot, TAR_GZ, reopen, depth)
        else:
            self._content(spot, gunzipped(reopen, self._budget), depth + 1)

    def _content(self, spot: _Spot, content: BinaryIO, depth: int, *, aside: bool = False) -> None:
        """Look at a member, and read it to its end, whatever it begins with: damage shows only there.

        What is looked at lies in an unnamed temporary file meanwhile where it is large.
        """
        from tempfile import SpooledTemporaryFile

        head = content.read(HEAD_BYTES)
        known = kind_of(ByteView(head)) is not None or archive_kind(head) is not None or firmware_kind(head) is not None
        wanted = known or (not aside and self._is_raw(spot))
        passed = Passed(scan=self._brief.scan)
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
                self.one(spot, _again(cast("BinaryIO", file)), size, depth)
            elif not ends_as_zip(tail[-TAIL_BYTES:]):
                self._passed(spot, passed)
            elif size <= _IN_MEMORY:
                self._archive(spot, ZIP, _again(cast("BinaryIO", file)), depth)
            else:
                kind, hint = "zip archive behind something else", "give it as a file, or what is in it"
                self.refuse(spot, kind, finding("gate.archive-unsupported", found=f"{size} bytes", hint=hint))

    def _members(self, spot: _Spot, kind: str, reopen: Reopen, depth: int) -> None:
        for entry in entries(kind, reopen, self._budget):
            inner = _Spot(f"{spot.name}/{clean(entry.name)}", f"{spot.inside}/{clean(entry.name)}")
            if leads_out(entry.name) or (entry.link is not None and leads_out(entry.link, link=True)):
                found = entry.name if entry.link is None else f"{entry.name} -> {entry.link}"
                hint = "make the archive again, with paths below one folder"
                self.refuse(inner, "archive member", finding("gate.archive-path", found=visible(found), hint=hint))
            elif entry.closed is not None:
                hint = "pack it as stored or deflated"
                self.refuse(inner, "archive member", finding("gate.archive-unsupported", found=entry.closed, hint=hint))
            elif entry.damaged is not None:
                hint = "make the archive again"
                self.refuse(inner, "archive member", finding("gate.archive-unreadable", found=entry.damaged, hint=hint))
            elif entry.content is not None:
                self._member(inner, entry.content, depth, aside=entry.aside)
        if self._awaited:
            self._search(kind, reopen)

    def _member(self, spot: _Spot, content: BinaryIO, depth: int, *, aside: bool) -> None:
        try:
            self._content(spot, content, depth + 1, aside=aside)
        except TooMuchError:
            raise
        except Exception as error:  # noqa: BLE001 - `damage` raises again what is none of the archive
            self.refuse(spot, "archive member", _damaged(error))

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
                except TooMuchError:
                    raise
                except Exception as error:  # noqa: BLE001 - as above; the member has been refused before
                    damage(error)
                    continue
                self._found(entry.size, digest.digest(), cast("BinaryIO", file))
            if not self._awaited:
                return

    def _found(self, size: int, digest: bytes, file: BinaryIO) -> None:
        """Settle what waits for this payload."""
        fitting = self._awaited.pop((size, digest), None)
        if fitting is None:
            return
        file.seek(0)
        payload = ByteView(file.read())
        for awaited in fitting:
            self._budget.payload(size)
            self._settle(awaited, payload)

    def _settle(self, awaited: _Awaited, payload: ByteView | None) -> None:
        found = self.found[awaited.at]
        assert found is not None
        looked = look_at_sealed(awaited.data, awaited.kind, self._brief, lambda _size, _digest: payload, awaited.beside)
        self.found[awaited.at] = found._replace(looked=looked)


def _damaged(error: Exception) -> Finding:
    """Turn the error of an archive into a finding; the error again where it is none of an archive."""
    found, place, hint = damage(error)
    return finding("gate.archive-unreadable", place=place, found=found, hint=hint)


def _detached(data: ByteView, kind: str, at: int) -> _Awaited | None:
    if kind != "sealed image":
        return None
    try:
        statement = decode_header_block(bytes(data.read(0, HEADER_BLOCK_MAX))).statement
    except SealedFormatError:
        return None
    if not statement.detached:
        return None
    return _Awaited(at, statement.payload_size, statement.payload_digest, data, kind)
