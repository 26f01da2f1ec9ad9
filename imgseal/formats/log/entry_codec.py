"""Entries of the release log, formats 1 to 3 <-> their one encoding, compact JSON in ASCII.

docs/format/release-log.md has the tables of the keys; the encoding of an entry is what the tree's leaf is hashed from.
"""

import itertools
from functools import lru_cache
from typing import Any

from imgseal.formats.log.entry import (
    NEWEST,
    WITHDRAWN,
    AddedSignature,
    Anchors,
    AnchorsMade,
    DeliveryMade,
    Entry,
    Floor,
    Logged,
    LoggedImage,
    LoggedPackage,
    Open,
    Released,
    Reservation,
    Surrender,
    Withdrawal,
    Withdrawn,
    kind_of,
)
from imgseal.formats.log.errors import DOCUMENT, LogFormatError, compact
from imgseal.formats.log.layout import HARDWARE, LAYOUT
from imgseal.limits import LOG_REASON
from imgseal.values import Kind, Node, array, ascii_text, hexadecimal, integer, optional, pair, record, shown
from imgseal.versions import Version

_BARE, _STATED = 1, 2


def _rises(values: tuple[object, ...]) -> bool:
    """Say whether values rise: a set has one order."""
    return all(before < after for before, after in itertools.pairwise(values))  # type: ignore[operator]


@lru_cache(maxsize=1024)
def _parsed(text: str) -> Version:
    return Version.parse(text)  # a log repeats those of what did not change


def _read_version(node: Node) -> Version:
    return node.parsed(_parsed, 'a version such as "2.4.1" or "2.4.1-rc.1"', "not a value allowed here")


def _class_and_variant(items: tuple[LoggedPackage, ...] | tuple[Floor, ...] | tuple[Withdrawn, ...]) -> bool:
    return _rises(tuple([(each.class_id, each.variant) for each in items]))


def _one_a_slot(images: tuple[LoggedImage, ...]) -> bool:
    order = [image.component for image in images]
    return order == sorted(order) and len({image.slot for image in images}) == len(images)


_VERSION = Kind(_read_version, str)
_U32, _U63 = integer(0, (1 << 32) - 1), integer(0, (1 << 63) - 1)
_NAME, _VARIANT = ascii_text(256), ascii_text(256, least=0)
_CHANNEL, _WHY, _MAYBE_WHY = ascii_text(64, least=0), ascii_text(LOG_REASON), ascii_text(LOG_REASON, least=0)
_CLASS, _KEY, _DIGEST = hexadecimal(16), hexadecimal(16), hexadecimal(32)
_KEYS = array(_KEY, 1, 16, "key identifiers, each once", lambda keys: len(set(keys)) == len(keys))


def _or_empty(kind: Kind[bytes]) -> Kind[bytes]:
    return Kind(lambda node: b"" if node.value == "" else kind.read(node), kind.write)


def _rising_keys(most: int, least: int = 0) -> Kind[tuple[bytes, ...]]:
    return array(_KEY, least, most, "key identifiers that rise", _rises)


def _counters(least: int) -> Kind[tuple[tuple[int, int], ...]]:
    return array(
        pair(integer(1, 255), _U32), least, 256, "pairs of component number and counter that rise by component",
        lambda pairs: _rises(tuple([component for component, _ in pairs])),
    )  # fmt: skip


_BOOTLOADERS = array(
    _VERSION, 0, 2, "versions, the oldest and the newest, or none",
    lambda ends: len(ends) != 1 and ends == tuple(sorted(ends)),
)  # fmt: skip
_BASES = array(_DIGEST, 0, 99, "digests that rise", _rises)
_IMAGE = record(
    LoggedImage,
    {
        "component": integer(1, 255),
        "name": _NAME,
        "slot": _NAME,
        "version": _VERSION,
        "counter": _U32,
        "statement": _DIGEST,
        "keys": _KEYS,
    },
)
_LINE: dict[str, Kind[Any]] = {"class": _CLASS, "variant": _VARIANT}
_OF_CLASS = {"class": "class_id"}
_IMAGES = {"images": array(_IMAGE, 1, 512, "images by component, one a slot", _one_a_slot)}
_PACKAGE = {**_LINE, "manifest": _DIGEST, "keys": _KEYS, **_IMAGES}


def _packages(make: Any, kinds: dict[str, Kind[Any]]) -> dict[str, Kind[Any]]:
    kind = record(make, kinds, _OF_CLASS)
    return {"packages": array(kind, 1, 256, "packages that rise by class and variant", _class_and_variant)}


def _reserved(variant: str, class_id: bytes, images: tuple[LoggedImage, ...]) -> LoggedPackage:
    return LoggedPackage(variant, class_id, b"", (), images)


def _floors(kinds: dict[str, Kind[Any]], least: int = 1) -> dict[str, Kind[Any]]:
    kind = record(Floor, {**_LINE, "sequence": _U32, **kinds}, _OF_CLASS)
    return {"least": array(kind, least, 256, "floors that rise by class and variant", _class_and_variant)}


_OLD_FLOOR: dict[str, Kind[Any]] = {"manifest": _DIGEST, "counters": _counters(1)}
_FLOORS = _floors(
    {
        "manifest": _or_empty(_DIGEST),
        "counters": _counters(0),
        "bootloaders": _BOOTLOADERS,
        "given": _U32,
        "channels": array(
            record(Released, {"channel": _CHANNEL, "version": _VERSION, "sequence": _U32, "entry": _U63}), 0, 64,
            "last releases that rise by channel", lambda rows: _rises(tuple([row.channel for row in rows])),
        ),
        "open": array(
            record(Open, {"entry": _U63, "sequence": _U32, "counters": _counters(1)}), 0, 64,
            "open reservations that rise by entry", lambda rows: _rises(tuple([row.entry for row in rows])),
        ),
        "layout": optional(pair(_U63, _U63)),
        "withdrawn": array(_DIGEST, 0, WITHDRAWN, "manifests that rise", _rises),
        "hardware": HARDWARE,
    },
    least=0,
)  # fmt: skip
_ABOUT: dict[str, Kind[Any]] = {
    "vendor": ascii_text(253),
    "product": ascii_text(64),
    "version": _VERSION,
    "sequence": _U32,
}
_SOURCES = {"revision": hexadecimal(0, 32)}
_TOOL: dict[str, Kind[Any]] = {"tool": ascii_text(64)}


def _old(number: int, stated: dict[str, Kind[Any]], floor: dict[str, Kind[Any]]) -> Kind[Any]:
    def make(**members: Any) -> Entry:
        return Entry(**members, format=number)

    before = {"number": _U63, **_ABOUT, "built": _U63, **_SOURCES, **_TOOL}
    kinds = {**before, **stated, **_packages(LoggedPackage, _PACKAGE), **_floors({**_OLD_FLOOR, **floor})}
    return record(make, kinds, fixed={"format": number})


def _new(kind: str, make: Any, members: dict[str, Kind[Any]]) -> Kind[Any]:
    kinds = {"number": _U63, "made": _U63, **_TOOL, **members, **_FLOORS}
    fields = {"made": "built", "class": "class_id", "set": "generation", "from": "origin"}
    return record(make, kinds, fields, fixed={"format": NEWEST, "kind": kind})


_ANCHORS = record(
    Anchors,
    {
        "images": _rising_keys(64),
        "packages": _rising_keys(64),
        "need_images": integer(1, 255),
        "need_packages": integer(1, 255),
        "apex": _or_empty(_KEY),
        "contingency": _or_empty(_KEY),
    },
)
_RELEASE = {
    **_ABOUT,
    "channel": _CHANNEL,
    **_SOURCES,
    "again": _MAYBE_WHY,
    "unrecorded": _MAYBE_WHY,
    "reserved": optional(_U63),
    "witness": optional(_U63),
    "bootloader": optional(_VERSION),
    "anchors": optional(_ANCHORS),
    **_packages(LoggedPackage, {**_PACKAGE, "layout": optional(LAYOUT)}),
}
_OLD = {
    _BARE: _old(_BARE, {}, {}),
    _STATED: _old(_STATED, {"bootloader": _VERSION}, {"bootloaders": _BOOTLOADERS}),
}
_NEW = {
    "release": _new("release", Entry, _RELEASE),
    "promotion": _new("promotion", Entry, {"from": _U63, **_RELEASE}),
    "reservation": _new(
        "reservation", Reservation,
        {
            **_ABOUT, "channel": _CHANNEL, **_SOURCES, "again": _MAYBE_WHY, "unrecorded": _MAYBE_WHY,
            "witness": optional(_U63),
            **_packages(_reserved, {**_LINE, **_IMAGES}),
        },
    ),
    "surrender": _new("surrender", Surrender, {"entry": _U63, "why": _WHY}),
    "withdrawal": _new(
        "withdrawal", Withdrawal,
        {"entry": _U63, "why": _WHY, **_packages(Withdrawn, {**_LINE, "manifest": _DIGEST})},
    ),
    "signature": _new("signature", AddedSignature, {"entry": _U63, "manifest": _DIGEST, "keys": _KEYS}),
    "anchors": _new(
        "anchors", AnchorsMade,
        {
            **_LINE, "digest": _DIGEST, "set": _U32, "images": _rising_keys(64), "packages": _rising_keys(64),
            "deliveries": optional(_rising_keys(64, 1), (), spare=True), "revoked": _rising_keys(64), "signer": _KEY,
        },
    ),
    "delivery": _new(
        "delivery", DeliveryMade,
        {"entry": _U63, "manifest": _DIGEST, "delivery": _DIGEST, "bases": _BASES, "keys": _KEYS},
    ),
}  # fmt: skip
"""Kind -> its entries of format 3, as docs/format/release-log.md has the tables of the keys."""


def encode_entry(entry: Logged) -> bytes:
    """Return the bytes that the leaf is hashed from."""
    return compact(_table_of(entry).write(entry))


def _table_of(entry: Logged) -> Kind[Any]:
    if isinstance(entry, Entry) and entry.format != NEWEST:
        return _OLD[entry.format]
    return _NEW[kind_of(entry)]


def decode_entry(data: bytes) -> Logged:
    """Read an entry; LogFormatError where it is none, or another encoding of one."""
    entry = read_entry(DOCUMENT.node(data, "entry", "entry", unique=False))
    if encode_entry(entry) != data:
        raise LogFormatError(
            "this is another encoding of an entry",
            expected="the one that docs/format/release-log.md describes",
            hint="restore the file from version control or a backup",
        )
    return entry


def read_entry(node: Node) -> Logged:
    """Read an entry from parsed JSON; the encoding is for the caller to compare."""
    members = node.value if isinstance(node.value, dict) else {}
    number, kind = members.get("format"), members.get("kind")
    table = _OLD[_STATED if number == _STATED else _BARE]
    if type(number) is int and number >= NEWEST:
        if number > NEWEST or (isinstance(kind, str) and kind not in _NEW):
            raise LogFormatError(
                "this entry is of a later imgseal",
                expected=f"format {_BARE} to {NEWEST}, with a kind of {', '.join(_NEW)}",
                found=f"format {number}" + (f", kind {shown(kind)}" if number == NEWEST else ""),
                hint="use a newer imgseal",
            )
        table = _NEW[kind] if isinstance(kind, str) else _NEW["release"]
    entry: Logged = table.read(node)
    return entry


ENTRY = Kind(read_entry, lambda entry: _table_of(entry).write(entry))
"""An entry inside a proof."""
