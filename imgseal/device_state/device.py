"""The device state file, format 1: what the judge needs to know of one device. docs/format/device-state.md."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from imgseal.device_state.fielded import Fielded
from imgseal.errors import Place, UsageError
from imgseal.product.model import Product, Rules
from imgseal.records import NamedTuple
from imgseal.versions import Version, decimal

if TYPE_CHECKING:
    from imgseal.formats.install_record.record import Member, Record

_U32 = 0xFFFF_FFFF
_KEYS = (
    "format",
    "hardware",
    "sequence",
    "manifest_digest",
    "counters",
    "current",
    "trial",
    "refused",
    "slots",
    "bootloader",
    "battery_mwh",
    "authorised",
    "revoked",
    "anchors",
    "unraised",
    "before",
)


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
    are above those of the storage, which does not take them. `before` is the set that a settled one has followed.
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


def device_state(
    record: "Record | None",
    rules: Rules,
    numbers: tuple[int, ...],
    *,
    hardware: int | None,
    counters: Mapping[int, int],
    slots: Mapping[str, SlotContent | None],
    bootloader: Version | None,
    battery_mwh: int | None,
    authorised: bool,
    revoked: tuple[str, ...],
) -> DeviceState:
    """Return the state of a device with this install record; `numbers` are the product's components, ascending.

    What is being delivered, switched or returned does not show: the state is that of the set that counts.
    """
    from imgseal.formats.install_record.record import SETTLED, TRIAL, UNPROVEN  # noqa: PLC0415 - judging for a fresh device needs no records

    trial = None
    if record is not None and record.phase in (TRIAL, UNPROVEN):
        trial = Trial(
            record.target_sequence,
            record.target_digest or bytes(32),
            record.trial,
            max(0, rules.trial_attempts - record.attempts),
            max(0, rules.trial_power_ons - record.power_ons),
            record.other,
            tuple(number for index, number in enumerate(numbers) if record.kept >> index & 1),
        )
    return DeviceState(
        hardware=hardware,
        sequence=0 if record is None else record.sequence,
        manifest_digest=None if record is None else record.manifest_digest,
        counters=counters,
        current={} if record is None else record.current,
        trial=trial,
        refused=() if record is None else record.refused,
        slots=slots,
        bootloader=bootloader,
        battery_mwh=battery_mwh,
        authorised=authorised,
        revoked=revoked,
        fresh=False,
        unraised=record is not None and record.unraised,
        before={} if record is None or record.phase != SETTLED else record.other,
    )


def read(text: str, *, name: str) -> DeviceState:
    """Read a state file; UsageError says which key holds what is not allowed."""
    import json  # noqa: PLC0415 - only with --device

    def unique(pairs: list[tuple[str, object]]) -> dict[str, object]:
        seen: dict[str, object] = {}
        for key, value in pairs:
            if key in seen:
                raise _refused(name, key, "this key stands twice", None, None)
            seen[key] = value
        return seen

    try:
        tree = json.loads(text, object_pairs_hook=unique)
    except json.JSONDecodeError as error:
        raise UsageError(
            f"this device state file is not JSON: {error.msg[:1].lower()}{error.msg[1:]}",
            place=Place(file=name, line=error.lineno),
            hint="docs/format/device-state.md has an example",
        ) from None
    except ValueError as error:  # a number of thousands of digits
        raise UsageError(
            f"this device state file cannot be read: {error}",
            place=Place(file=name),
            hint="correct the number it names",
        ) from None
    except RecursionError:
        raise UsageError(
            "this device state file is nested too deeply",
            place=Place(file=name),
            hint="docs/format/device-state.md has an example",
        ) from None
    if not isinstance(tree, dict):
        raise UsageError(
            "this device state file is no JSON object",
            place=Place(file=name),
            hint="docs/format/device-state.md has an example",
        )
    for key in tree:
        if key not in _KEYS:
            raise _refused(name, key, "unknown key", ", ".join(_KEYS), key)
    for key in ("format", "hardware", "sequence", "counters"):
        if key not in tree:
            raise _refused(name, key, "this key is missing", key, "nothing")
    _integer(name, "format", tree["format"], 1, 1)
    bootloader = tree.get("bootloader")
    try:
        version = Version.parse(bootloader) if isinstance(bootloader, str) else None
    except ValueError:
        version = None
    if bootloader is not None and version is None:
        raise _refused(name, "bootloader", "this is no version", 'a version such as "1.1.0"', str(bootloader))
    battery = tree.get("battery_mwh")
    authorised = tree.get("authorised", False)
    if not isinstance(authorised, bool):
        raise _refused(name, "authorised", "neither true nor false", "true or false", str(authorised))
    unraised = tree.get("unraised", False)
    if not isinstance(unraised, bool):
        raise _refused(name, "unraised", "neither true nor false", "true or false", str(unraised))
    return DeviceState(
        hardware=_integer(name, "hardware", tree["hardware"], 0, 0xFFFF),
        sequence=_integer(name, "sequence", tree["sequence"], 0, _U32),
        manifest_digest=_digest(name, "manifest_digest", tree.get("manifest_digest"), 32),
        counters=_numbers(name, "counters", tree["counters"], _U32),
        current=_members(name, "current", tree.get("current", {})),
        trial=_trial(name, tree.get("trial")),
        refused=_refusals(name, tree.get("refused", [])),
        slots=_slots(name, tree.get("slots", {})),
        bootloader=version,
        battery_mwh=None if battery is None else _integer(name, "battery_mwh", battery, 0, _U32),
        authorised=authorised,
        revoked=_revoked(name, tree.get("revoked", [])),
        fresh=False,
        anchors=None if tree.get("anchors") is None else _content(name, "anchors", tree["anchors"]),
        unraised=unraised,
        before=_members(name, "before", tree.get("before", {})),
    )


def write(state: DeviceState) -> str:
    """Return the text of a state file; `read` gives the same state back.

    A fresh device has no hardware revision yet.
    """
    import json  # noqa: PLC0415 - only with --device

    tree: dict[str, object] = {
        "format": 1,
        "hardware": state.hardware,
        "sequence": state.sequence,
        "manifest_digest": state.manifest_digest.hex() if state.manifest_digest else None,
        "counters": {str(number): value for number, value in sorted(state.counters.items())},
        "current": _members_tree(state.current),
        "trial": None if state.trial is None else _trial_tree(state.trial),
        "refused": [digest.hex() for digest in state.refused],
        "slots": {slot: content._asdict() if content else None for slot, content in sorted(state.slots.items())},
        "bootloader": str(state.bootloader) if state.bootloader else None,
        "battery_mwh": state.battery_mwh,
        "authorised": state.authorised,
        "revoked": list(state.revoked),
        **({"anchors": state.anchors._asdict()} if state.anchors else {}),
        **({"unraised": True} if state.unraised else {}),
        **({"before": _members_tree(state.before)} if state.before else {}),
    }
    return json.dumps(tree, indent=2) + "\n"


def _members_tree(members: "Mapping[int, Member]") -> dict[str, object]:
    return {
        str(number): {"slot": member.slot, **({"statement": member.statement.hex()} if member.statement else {})}
        for number, member in sorted(members.items())
    }


def _trial_tree(trial: Trial) -> dict[str, object]:
    return {
        "sequence": trial.sequence,
        "manifest_digest": trial.manifest_digest.hex(),
        "way_back": trial.way_back,
        "attempts_left": trial.attempts_left,
        "power_ons_left": trial.power_ons_left,
        "previous": _members_tree(trial.previous),
        "kept": list(trial.kept),
    }


def _refused(name: str, key: str, message: str, expected: str | None, found: str | None) -> UsageError:
    return UsageError(
        message,
        place=Place(file=name, key=key),
        expected=expected,
        found=found if found is None or len(found) <= 80 else found[:77] + "...",
        hint="docs/format/device-state.md explains every key",
    )


def _integer(name: str, key: str, value: object, least: int, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        expected = str(least) if least == most else f"an integer from {least} to {most}"
        raise _refused(name, key, "not a number allowed here", expected, str(value))
    return value


def _numbers(name: str, key: str, value: object, most: int) -> dict[int, int]:
    if not isinstance(value, dict):
        raise _refused(name, key, "this is no object", '{"1": 6}: component number to number', str(value))
    numbers = {}
    for number, entry in value.items():
        component = decimal(number, 255)
        if not component:
            raise _refused(name, f"{key}.{number[:20]}", "this is no component number", "1 to 255", number[:20])
        numbers[component] = _integer(name, f"{key}.{number}", entry, 0, most)
    return numbers


def _digest(name: str, key: str, value: object, size: int) -> bytes | None:
    if value is None:
        return None
    if isinstance(value, str) and len(value) == 2 * size and all(c in "0123456789abcdef" for c in value):
        return bytes.fromhex(value)
    raise _refused(name, key, "this is no digest", f"{2 * size} lower-case hex digits", str(value))


def _members(name: str, key: str, value: object) -> "dict[int, Member]":
    from imgseal.formats.install_record.record import Member  # noqa: PLC0415 - judging for a fresh device needs no records

    if not isinstance(value, dict):
        raise _refused(name, key, "this is no object", '{"1": {"slot": 0, "statement": HEX}}', str(value))
    members = {}
    for number, entry in value.items():
        component = decimal(number, 255)
        path = f"{key}.{number[:20]}"
        if not component:
            raise _refused(name, path, "this is no component number", "1 to 255", number[:20])
        if not isinstance(entry, dict) or "slot" not in entry or set(entry) - {"slot", "statement"}:
            raise _refused(name, path, "this is no member of a set", '{"slot": 0, "statement": HEX}', str(entry))
        statement = _digest(name, f"{path}.statement", entry.get("statement"), 32)
        members[component] = Member(_integer(name, f"{path}.slot", entry["slot"], 0, 1), statement or b"")
    return members


def _trial(name: str, value: object) -> Trial | None:
    if value is None:
        return None
    keys = ("sequence", "manifest_digest", "way_back", "attempts_left", "power_ons_left", "previous", "kept")
    if not isinstance(value, dict) or sorted(value) != sorted(keys):
        raise _refused(name, "trial", "this is no trial", "null, or an object with " + ", ".join(keys), str(value))
    digest = _digest(name, "trial.manifest_digest", value["manifest_digest"], 32)
    kept = value["kept"]
    if digest is None or not isinstance(value["way_back"], bool) or not isinstance(kept, list):
        raise _refused(name, "trial", "a value of the wrong kind", "a digest, true or false, and a list", str(value))
    return Trial(
        _integer(name, "trial.sequence", value["sequence"], 0, _U32),
        digest,
        value["way_back"],
        _integer(name, "trial.attempts_left", value["attempts_left"], 0, 100),
        _integer(name, "trial.power_ons_left", value["power_ons_left"], 0, 200),
        _members(name, "trial.previous", value["previous"]),
        tuple(_integer(name, "trial.kept", number, 1, 255) for number in kept),
    )


def _refusals(name: str, value: object) -> tuple[bytes, ...]:
    from imgseal.formats.install_record.layout import REFUSED  # noqa: PLC0415 - judging for a fresh device needs no records

    if not isinstance(value, list) or len(value) > REFUSED:
        raise _refused(name, "refused", "this is no list", f"at most {REFUSED} manifest digests", str(value))
    digests = [_digest(name, "refused", entry, 32) for entry in value]
    return tuple(digest for digest in digests if digest is not None)


def _slots(name: str, value: object) -> dict[str, SlotContent | None]:
    if not isinstance(value, dict):
        raise _refused(name, "slots", "this is no object", "slot name to content", str(value))
    slots: dict[str, SlotContent | None] = {}
    for slot, content in value.items():
        key = f"slots.{slot}"
        if content is None:
            slots[slot] = None
            continue
        slots[slot] = _content(name, key, content)
    return slots


def _content(name: str, key: str, content: object) -> SlotContent:
    if not isinstance(content, dict) or sorted(content) != ["file", "sha256"]:
        raise _refused(name, key, "this is no slot content", 'null, or {"file": ..., "sha256": ...}', str(content))
    digest = _digest(name, f"{key}.sha256", content["sha256"], 32)
    if not isinstance(content["file"], str) or not content["file"] or digest is None:
        raise _refused(
            name, f"{key}.file", "this is no file name", "a path beside the state file", str(content["file"])
        )
    return SlotContent(content["file"], digest.hex())


def _revoked(name: str, value: object) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise _refused(name, "revoked", "this is no list", "key identifiers of 32 hex digits", str(value))
    keys = [_digest(name, "revoked", entry, 16) for entry in value]
    return tuple(key.hex() for key in keys if key is not None)
