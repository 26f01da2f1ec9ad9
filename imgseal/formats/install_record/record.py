"""Install records: bytes and values. One meaning has one encoding; what breaks a rule is no record."""

import hashlib
from collections.abc import Mapping

from imgseal.formats.install_record.layout import FORMAT, HEAD, MAGIC, MEMBER, REFUSED
from imgseal.formats.install_record.room import CHECK_BYTES, COPIES, HEAD_BYTES, MEMBERS_MAX, copy_layout, record_bytes
from imgseal.records import NamedTuple

SETTLED, DELIVERING, SWITCHING, TRIAL, UNPROVEN, RETURNING, SETTLING = range(1, 8)
_PHASE_WORDS = ("settled", "delivering", "switching", "trial", "unproven", "returning", "settling")
PHASES = dict(enumerate(_PHASE_WORDS, SETTLED))
"""Phase number -> word; docs/format/install-record.md says what a device does in each."""

_NONE = 0xFF
_ZEROS = bytes(32)


class Member(NamedTuple):
    """One image of a set: the index of its run slot, and the SHA-256 of its statement."""

    slot: int
    statement: bytes


class Record(NamedTuple):
    """What a device remembers. Sets are by component number; masks have a bit per component in ascending order.

    `other` is the set that is being installed while delivering and switching, and the set to return to in trial and
    returning. `manifest_digest` and `target_digest` are 32 bytes, or None for none. `unraised` tells that storage
    does not take the counters of the last settled set.
    """

    phase: int
    generation: int
    base: int
    copied: int
    attempts: int
    power_ons: int
    prepared: int
    kept: int
    placed: int
    sequence: int
    manifest_digest: bytes | None
    target_sequence: int
    target_digest: bytes | None
    trial: bool
    recovery: bool
    refused: tuple[bytes, ...]
    current: Mapping[int, Member]
    other: Mapping[int, Member]
    unraised: bool = False


def first_record(current: Mapping[int, Member], sequence: int, manifest_digest: bytes | None) -> Record:
    """Return the record of a device that leaves the factory, or is set up with a settled set."""
    return Record(
        SETTLED, 1, 0, 0, 0, 0, 0, 0, 0, sequence, manifest_digest, 0, None, trial=False, recovery=False, refused=(),
        current=current, other={},
    )  # fmt: skip


EMPTY = first_record({}, 0, None)
"""What a device goes by that has none: nothing is installed, and nothing is going on."""


def encode(record: Record, components: tuple[int, ...]) -> bytes:
    """Return the bytes of a record of a product with these component numbers, ascending."""
    values = {
        **record._asdict(),
        "magic": MAGIC,
        "format": FORMAT,
        "member_count": len(components),
        "manifest_digest": record.manifest_digest or _ZEROS,
        "target_digest": record.target_digest or _ZEROS,
        "refused_count": len(record.refused),
        "refused": b"".join(record.refused),  # zeros behind them
    }
    head = HEAD.pack(values)
    sets = b"".join(encode_members(members, components) for members in (record.current, record.other))
    content = (head + sets).ljust(record_bytes(len(components)) - CHECK_BYTES, b"\0")
    return content + hashlib.sha256(content).digest()


def place_content(record: Record, components: tuple[int, ...], write_unit: int) -> bytes:
    """Return a place with its three copies, as it is programmed; what fills whole write units is 0xFF."""
    data = encode(record, components)
    check, size = copy_layout(len(components), write_unit)
    copy = data[:-CHECK_BYTES].ljust(check, b"\xff") + data[-CHECK_BYTES:]
    return copy.ljust(size, b"\xff") * COPIES


def encode_members(members: Mapping[int, Member], components: tuple[int, ...]) -> bytes:
    """Return the entries of one set."""
    out = []
    for number in components:
        member = members.get(number)
        slot, statement = (_NONE, _ZEROS) if member is None else member
        out.append(MEMBER.pack(number, slot, bytes(2), statement))
    return b"".join(out)


def decode(data: bytes, components: tuple[int, ...]) -> Record | None:
    """Read a record; None when it is none, is damaged, or belongs to a product with other components."""
    if len(data) != record_bytes(len(components)) or data[: len(MAGIC)] != MAGIC:
        return None
    if hashlib.sha256(data[:-CHECK_BYTES]).digest() != data[-CHECK_BYTES:]:
        return None
    at = HEAD.unpack(data)
    count, refused = at["member_count"], at["refused"]
    if count != len(components) or count > MEMBERS_MAX or at["phase"] not in PHASES or at["refused_count"] > REFUSED:
        return None
    current = _read_members(data, HEAD_BYTES, components)
    other = _read_members(data, HEAD_BYTES + count * MEMBER.size, components)
    if current is None or other is None:
        return None
    at |= {name: at[name] if at[name] != _ZEROS else None for name in ("manifest_digest", "target_digest")}
    at |= {name: bool(at[name]) for name in ("trial", "recovery", "unraised")}
    at |= {"current": current, "other": other}
    at["refused"] = tuple(refused[32 * i : 32 * i + 32] for i in range(at["refused_count"]))
    record = Record(*[at[name] for name in Record._fields])
    return record if encode(record, components) == data else None


def _read_members(data: bytes, start: int, components: tuple[int, ...]) -> dict[int, Member] | None:
    members = {}
    for index, number in enumerate(components):
        found, slot, _, statement = MEMBER.unpack_from(data, start + index * MEMBER.size)
        if found != number or slot not in (0, 1, _NONE):
            return None
        if slot != _NONE:
            members[number] = Member(slot, statement)
    return members
