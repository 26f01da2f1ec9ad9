"""The device state file, format 1: what the judge needs to know of one device. docs/format/device-state.md."""

from collections.abc import Mapping
from functools import cache, partial
from typing import TYPE_CHECKING, Any

from imgseal.device_state.fielded import Fielded
from imgseal.errors import UsageError
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.values import BOOLEAN, VERSION, Document, Kind, array, by_component, hexadecimal, integer, optional, record
from imgseal.versions import Version

if TYPE_CHECKING:
    from imgseal.formats.install_record.record import Member, Record


class SlotContent(NamedTuple):
    """What a slot holds: a file beside the state file, and its SHA-256 in hex."""

    file: str
    sha256: str


class Trial(NamedTuple):
    """A set that runs and has not reported itself healthy: its release, the starts it has left, the set before.

    `way_back` False says that there is none; `kept` are the components whose image before lies in a keep slot.
    """

    sequence: int
    manifest_digest: bytes
    way_back: bool
    attempts_left: int
    power_ons_left: int
    previous: "Mapping[int, Member]"
    kept: tuple[int, ...]


class DeviceState(NamedTuple):
    """One device. `hardware` None is any revision of the product; `battery_mwh` None is enough.

    `sequence` and `manifest_digest` (32 bytes) are those of the last settled release. `counters` are by component
    number; `current` is the set that starts, settled if there is no `trial`; an empty statement digest in it stands
    for whatever the run slot holds. A slot that is absent or None in `slots` is erased. `refused` are manifest digests
    of packages that failed, `revoked` key identifiers in hex. `anchors` is the trust anchor update that the device took
    last; None where it holds what it left the factory with. `fielded` is what is known of the bootloaders where the
    state stands for many devices; it is no part of the file. `unraised` tells that the counters of the set in `current`
    are above those of the storage, which does not take them. `withdrawn` are manifest digests of releases that the
    release log has withdrawn: no part of the file either. `before` is the set that a settled one has followed.
    `versions` are those of what runs, by component number, where no slot content says it: no part of the file either.
    """

    hardware: int | None
    sequence: int
    manifest_digest: bytes | None
    counters: Mapping[int, int]
    current: "Mapping[int, Member]"
    trial: Trial | None
    refused: tuple[bytes, ...]
    slots: Mapping[str, SlotContent | None]
    bootloader: Version | None
    battery_mwh: int | None
    authorised: bool
    revoked: tuple[str, ...]
    fresh: bool
    anchors: SlotContent | None = None
    fielded: Fielded | None = None
    unraised: bool = False
    before: "Mapping[int, Member]" = {}  # noqa: RUF012 - never changed
    withdrawn: tuple[bytes, ...] = ()
    versions: Mapping[int, Version] = {}

    @property
    def running(self) -> dict[int, int]:
        """The index of the run slot that each component starts from."""
        return {number: member.slot for number, member in self.current.items()}


def fresh(product: Product) -> DeviceState:
    """Return a device as it leaves the factory without firmware.

    Counters at zero, any hardware revision, authorised.
    """
    version = product.bootloader.version if product.bootloader else None
    return DeviceState(None, 0, None, {}, {}, None, (), {}, version, None, authorised=True, revoked=(), fresh=True)


def recorded_state(
    state: DeviceState, record: "Record | None", product: Product, counters: Mapping[int, int]
) -> DeviceState:
    """Return the state of a device that has come to this install record, and to these counters.

    What is being delivered, switched or returned does not show: the state is that of the set that counts. What slots
    hold is left out, and so are anchors and what is known of other devices.
    """
    from imgseal.formats.install_record.record import EMPTY, SETTLED, TRIAL, UNPROVEN  # noqa: PLC0415 - judging for a fresh device needs no records

    record = record or EMPTY
    rules, numbers = product.rules, product.numbers
    trial = None
    if record.phase in (TRIAL, UNPROVEN):
        trial = Trial(
            record.target_sequence,
            record.target_digest or bytes(32),
            record.trial,
            max(0, rules.trial_attempts - record.attempts),
            max(0, rules.trial_power_ons - record.power_ons),
            record.other,
            tuple(number for index, number in enumerate(numbers) if record.kept >> index & 1),
        )
    return state._replace(
        sequence=record.sequence, manifest_digest=record.manifest_digest, counters=counters, current=record.current,
        trial=trial, refused=record.refused, slots={}, fresh=False, anchors=None, fielded=None,
        unraised=record.unraised, before=record.other if record.phase == SETTLED else {}, versions={},
    )  # fmt: skip


@cache
def _state() -> Kind[DeviceState]:
    """Return the keys of the file; docs/format/device-state.md has the table."""
    from imgseal.formats.install_record.layout import REFUSED  # noqa: PLC0415 - judging for a fresh device needs no records
    from imgseal.formats.install_record.record import Member  # noqa: PLC0415 - as above

    u32, digest = integer(0, 0xFFFF_FFFF), hexadecimal(32)
    statement = Kind(lambda node: b"" if node.value is None else digest.read(node), bytes.hex, b"", spare=True)
    members = by_component(
        record(Member, {"slot": integer(0, 1), "statement": statement}),
        '{"1": {"slot": 0, "statement": HEX}}',
    )
    trial: dict[str, Kind[Any]] = {
        "sequence": u32,
        "manifest_digest": digest,
        "way_back": BOOLEAN,
        "attempts_left": integer(0, 100),
        "power_ons_left": integer(0, 200),
        "previous": members,
        "kept": array(integer(1, 255), 0, 255, "component numbers"),
    }
    content = record(SlotContent, {"file": Kind(lambda node: node.text(4096)), "sha256": _hex(32)})
    there = optional(content)
    slots: Kind[Mapping[str, SlotContent | None]] = Kind(
        lambda node: {name: there.read(each) for name, each in node.entries("slot name to content").items()},
        lambda slots: {name: there.write(each) for name, each in sorted(slots.items())},
    )
    return record(
        partial(DeviceState, fresh=False),
        {
            "hardware": integer(0, 0xFFFF),
            "sequence": u32,
            "manifest_digest": optional(digest),
            "counters": by_component(u32, '{"1": 6}: component number to number'),
            "current": optional(members, {}),
            "trial": optional(record(Trial, trial)),
            "refused": optional(array(digest, 0, REFUSED, "manifest digests"), ()),
            "slots": optional(slots, {}),
            "bootloader": optional(VERSION),
            "battery_mwh": optional(u32),
            "authorised": optional(BOOLEAN, False),
            "revoked": optional(array(_hex(16), 0, 1 << 17, "key identifiers"), ()),
            "anchors": optional(content, spare=True),
            "unraised": optional(BOOLEAN, False, spare=True),
            "before": optional(members, {}, spare=True),
        },
        fixed={"format": 1},
    )


def _hex(size: int) -> Kind[str]:
    """Return the kind of so many bytes in hex that stay hex."""
    return Kind(lambda node: node.hexadecimal(size, size).hex())


def read(text: str, *, name: str) -> DeviceState:
    """Read a state file; UsageError says which key holds what is not allowed."""
    document = Document(UsageError, "docs/format/device-state.md explains every key and has an example", name)
    return _state().read(document.node(text, "device state file"))


def write(state: DeviceState) -> str:
    """Return the text of a state file; `read` gives the same state back.

    A fresh device has no hardware revision yet.
    """
    import json  # noqa: PLC0415 - only with --device

    return json.dumps(_state().write(state), indent=2) + "\n"
