"""A reader and encoder of install records in flash that follows docs/format/install-record.md alone (format 1).

It imports nothing of imgseal and shares no code with it.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

MAGIC = bytes.fromhex("d57265636f726473")
FORMAT = 1
HEAD = 240
MEMBER = 36
CHECK = 32
PADDING = 32
COPIES = 3
MOST_MEMBERS = 32
MOST_REFUSED = 4
NO_SLOT = 255
NO_DIGEST = bytes(32)
PHASES = ("settled", "delivering", "switching", "trial", "unproven", "returning", "settling")


class NoRecordError(ValueError):
    """Bytes that break a rule of the page (install-record.md, "The record", "no record")."""


@dataclass(frozen=True)
class Geometry:
    """What a reader knows of the product beforehand (install-record.md, "The record" and "The journal").

    The magic is that of the page; a reader asks nothing of the recovery component, a writer leaves it empty.
    """

    magic: bytes
    components: tuple[int, ...]
    erase_block: int
    recovery: int | None = None
    write_unit: int = 1

    def __post_init__(self) -> None:
        if self.magic != MAGIC or self.erase_block <= 0 or len(self.components) > MOST_MEMBERS:
            raise ValueError("no geometry of this format")
        if any(low >= high for low, high in zip(self.components, self.components[1:], strict=False)):
            raise ValueError("component numbers rise")

    @property
    def record_length(self) -> int:
        """Bytes of a record with its check; the check begins at a multiple of 32 from the record's start."""
        used = HEAD + 2 * MEMBER * len(self.components)
        return -(-used // PADDING) * PADDING + CHECK

    @property
    def check_start(self) -> int:
        """Where the check of a copy lies in flash: in a write unit of its own (install-record.md, "The journal")."""
        return self._units(self.record_length - CHECK)

    @property
    def copy_length(self) -> int:
        """From the first byte of a copy in flash to that of the next."""
        return self.check_start + self._units(CHECK)

    @property
    def place_length(self) -> int:
        """Bytes of a place: whole erase blocks for three copies (install-record.md, "The journal")."""
        return -(-COPIES * self.copy_length // self.erase_block) * self.erase_block

    def _units(self, length: int) -> int:
        return -(-length // self.write_unit) * self.write_unit


@dataclass(frozen=True)
class Member:
    """One entry of a set; without a slot the set has no such component."""

    component: int
    slot: int | None = None
    statement: bytes = NO_DIGEST


@dataclass(frozen=True)
class Record:
    """The content of a record (install-record.md, "The record")."""

    phase: int
    generation: int
    base: int
    current: tuple[Member, ...]
    other: tuple[Member, ...]
    copied: int = 0
    attempts: int = 0
    power_ons: int = 0
    prepared: int = 0
    kept: int = 0
    placed: int = 0
    sequence: int = 0
    manifest_digest: bytes = NO_DIGEST
    target_sequence: int = 0
    target_digest: bytes = NO_DIGEST
    trial: bool = False
    recovery: bool = False
    unraised: bool = False
    refused: tuple[bytes, ...] = ()

    @property
    def phase_name(self) -> str:
        """The word of the page for the phase."""
        return PHASES[self.phase - 1]


@dataclass(frozen=True)
class State:
    """The record that counts, where it lies and what may be done with it (install-record.md, "The journal" 1 and 2)."""

    record: Record
    place: int
    three_equal: bool
    may_be_acted_upon: bool


def _require(condition: bool, what: str) -> None:
    if not condition:
        raise NoRecordError(what)


def _encode_members(members: Sequence[Member], geometry: Geometry) -> bytes:
    if tuple(member.component for member in members) != geometry.components:
        raise ValueError("a set has one entry for each component, ascending")
    out = bytearray()
    for member in members:
        out += bytes((member.component, NO_SLOT if member.slot is None else member.slot, 0, 0)) + member.statement
    return bytes(out)


def encode(record: Record, geometry: Geometry) -> bytes:
    """The bytes of one copy with its check (install-record.md, "The record").

    The page names records that read and that nobody writes: bits of no component and a recovery component in a set are
    refused here.
    """
    masks = record.prepared | record.kept | record.placed
    members = (*record.current, *record.other)
    if masks >> len(geometry.components) or any(
        one.component == geometry.recovery and one.slot is not None for one in members
    ):
        raise ValueError("a record that nobody writes")
    out = bytearray(geometry.magic)
    for value, size in (
        (FORMAT, 2),
        (record.phase, 1),
        (len(geometry.components), 1),
        (record.generation, 4),
        (record.base, 4),
        (record.copied, 2),
        (record.attempts, 1),
        (record.power_ons, 1),
        (record.prepared, 4),
        (record.kept, 4),
        (record.placed, 4),
        (record.sequence, 4),
    ):
        out += value.to_bytes(size, "little")
    out += record.manifest_digest + record.target_sequence.to_bytes(4, "little")
    out += bytes((len(record.refused), record.trial, record.recovery, record.unraised))
    out += record.target_digest + b"".join(record.refused).ljust(MOST_REFUSED * 32, b"\0")
    out += _encode_members(record.current, geometry) + _encode_members(record.other, geometry)
    out += bytes(geometry.record_length - CHECK - len(out))
    out += hashlib.sha256(out).digest()
    # What the reader would not take is not written: a record that nobody reads is a device without a set.
    if decode(bytes(out), geometry) != record:
        raise ValueError("no record of this format")
    return bytes(out)


def encode_place(record: Record, geometry: Geometry) -> bytes:
    """A finished place: three equal copies, each filled up to whole units, and the erased rest ("The journal")."""
    data = encode(record, geometry)
    copy = data[:-CHECK].ljust(geometry.check_start, b"\xff") + data[-CHECK:]
    return (copy.ljust(geometry.copy_length, b"\xff") * COPIES).ljust(geometry.place_length, b"\xff")


def _decode_members(data: bytes, geometry: Geometry) -> tuple[Member, ...]:
    members: list[Member] = []
    for index, number in enumerate(geometry.components):
        entry = data[MEMBER * index : MEMBER * (index + 1)]
        _require(entry[0] == number, "component numbers")
        _require(entry[1] in (0, 1, NO_SLOT), "run slot")
        _require(entry[2:4] == bytes(2), "zeros of a member")
        _require(entry[1] != NO_SLOT or entry[4:] == NO_DIGEST, "statement of an empty member")
        members.append(Member(number, None if entry[1] == NO_SLOT else entry[1], entry[4:]))
    return tuple(members)


def decode(data: bytes, geometry: Geometry) -> Record:
    """Read one copy; whatever breaks a rule is no record (install-record.md, "The record"); raises NoRecordError.

    "No other rule joins two fields": neither bits of no component nor a recovery component in a set are looked at.
    """
    count = len(geometry.components)
    _require(len(data) == geometry.record_length, "length")
    _require(hashlib.sha256(data[:-CHECK]).digest() == data[-CHECK:], "check")
    _require(data[:8] == geometry.magic, "magic")

    def number(at: int, size: int) -> int:
        return int.from_bytes(data[at : at + size], "little")

    _require(number(8, 2) == FORMAT, "format")
    _require(1 <= data[10] <= len(PHASES), "phase")
    _require(data[11] == count, "member count")
    _require(data[76] <= MOST_REFUSED, "refused count")
    _require(all(data[at] <= 1 for at in (77, 78, 79)), "switches")
    refused = tuple(data[112 + 32 * index : 144 + 32 * index] for index in range(data[76]))
    _require(not any(data[112 + 32 * len(refused) : HEAD]), "zeros behind refused")
    half, end = HEAD + MEMBER * count, HEAD + 2 * MEMBER * count
    _require(not any(data[end:-CHECK]), "zeros behind the members")
    return Record(
        phase=data[10],
        generation=number(12, 4),
        base=number(16, 4),
        current=_decode_members(data[HEAD:half], geometry),
        other=_decode_members(data[half:end], geometry),
        copied=number(20, 2),
        attempts=data[22],
        power_ons=data[23],
        prepared=number(24, 4),
        kept=number(28, 4),
        placed=number(32, 4),
        sequence=number(36, 4),
        manifest_digest=data[40:72],
        target_sequence=number(72, 4),
        target_digest=data[80:112],
        trial=bool(data[77]),
        recovery=bool(data[78]),
        unraised=bool(data[79]),
        refused=refused,
    )


@dataclass(frozen=True)
class Found:
    """The record that a place shows, and how many copies read as that one ("The journal" 1)."""

    place: int
    record: Record
    copies: int

    @property
    def three_equal(self) -> bool:
        """Whether it is whole."""
        return self.copies == COPIES

    @property
    def rank(self) -> tuple[int, int, int, int]:
        """Order of "The journal" 1: of whole ones the more copied counts, of others the less copied."""
        copied = self.record.copied
        return (self.record.generation, self.three_equal, copied if self.three_equal else -copied, -self.place)


def _best(found: Iterable[Found]) -> Found | None:
    return max(found, key=lambda one: one.rank, default=None)


def _read_place(data: bytes, place: int, geometry: Geometry) -> Found | None:
    """What a place shows: of copies that differ the one with the highest generation ("The journal" 1)."""
    content, check = geometry.record_length - CHECK, geometry.check_start
    records: list[Record] = []
    for at in range(0, COPIES * geometry.copy_length, geometry.copy_length):
        try:
            records.append(decode(data[at : at + content] + data[at + check : at + check + CHECK], geometry))
        except NoRecordError:
            continue
    if not records:
        return None
    best = max(records, key=lambda record: record.generation)
    return Found(place, best, records.count(best))


def places(slot: bytes, geometry: Geometry) -> list[bytes]:
    """The places of a record slot in order; what is left behind the last whole one is unused."""
    count = len(slot) // geometry.place_length
    if count < 3:
        raise ValueError("a record slot has at least three places")
    return [slot[geometry.place_length * at : geometry.place_length * (at + 1)] for at in range(count)]


def _shown(slot: bytes, geometry: Geometry) -> list[Found]:
    """What the places show, those left out that show no record."""
    read = (_read_place(data, place, geometry) for place, data in enumerate(places(slot, geometry)))
    return [found for found in read if found is not None]


def read_slot(slot: bytes, geometry: Geometry) -> State | None:
    """The state that a record slot says, or None where it shows no record ("The journal" 1 and 2)."""
    found = _shown(slot, geometry)
    best = _best(found)
    if best is None:
        return None
    return State(best.record, best.place, best.three_equal, best.three_equal and len(found) == 1)


@dataclass(frozen=True)
class Copying:
    """How a record that may not be acted upon is copied first ("The journal" 2): erase, write, erase.

    Without a place that may be erased for it, `place` is None: the record's own place is erased, and the device resets.
    """

    erase_before: tuple[int, ...]
    place: int | None
    record: Record
    erase_after: tuple[int, ...]


def copying(slot: bytes, geometry: Geometry) -> Copying | None:
    """The steps until the record that counts may be acted upon; None if there is none, or nothing to do."""
    state = read_slot(slot, geometry)
    if state is None or state.may_be_acted_upon:
        return None
    shown = {one.place: one for one in _shown(slot, geometry)}
    every = range(len(places(slot, geometry)))
    behind = [*every[state.place + 1 :], *every[: state.place]]
    may_be_lost = [place for place in behind if state.three_equal or place not in shown or not shown[place].three_equal]
    copy = replace(state.record, copied=state.record.copied + 1)
    if not may_be_lost:
        return Copying((state.place,), None, copy, ())
    blank = [place for place in may_be_lost if place not in shown]
    least = (shown[place] for place in reversed(may_be_lost) if place in shown)
    place = blank[0] if blank else min(least, key=lambda one: (one.copies, *one.rank[:3])).place
    return Copying((place,), place, copy, tuple(other for other in every if other != place))
