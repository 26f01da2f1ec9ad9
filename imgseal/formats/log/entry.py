"""Entries of the release log, formats 1 and 2: values and their one encoding, compact JSON in ASCII.

docs/format/release-log.md has the table of the keys; the encoding of an entry is what the tree's leaf is hashed from.
Format 2 is that of releases whose product file states a bootloader; the entry says which, and so do the floors.
"""

import itertools
from functools import lru_cache
from typing import Any

from imgseal.formats.log.errors import DOCUMENT, LogFormatError, compact
from imgseal.records import NamedTuple
from imgseal.values import Kind, Node, array, ascii_text, hexadecimal, integer, pair, record
from imgseal.versions import Version

_BARE, _STATED = 1, 2


class LoggedImage(NamedTuple):
    """A sealed image of a package: the SHA-256 of its statement, and the identifiers of the keys that signed it."""

    component: int
    name: str
    slot: str
    version: Version
    counter: int
    statement: bytes
    keys: tuple[bytes, ...]


class LoggedPackage(NamedTuple):
    """An update package: the variant it is for ("" where there is none), its class, the SHA-256 of its manifest."""

    variant: str
    class_id: bytes
    manifest: bytes
    keys: tuple[bytes, ...]
    images: tuple[LoggedImage, ...]


class Floor(NamedTuple):
    """What later releases for a class and variant must not go below: sequence, and counters by component number.

    `manifest` is the digest of the package that has this sequence. `bootloaders` are the oldest and the newest that
    devices of this class and variant have left the factory with; empty where not every release has said so.
    """

    variant: str
    class_id: bytes
    sequence: int
    manifest: bytes
    counters: tuple[tuple[int, int], ...]
    bootloaders: tuple[Version, ...] = ()


class Entry(NamedTuple):
    """A release build: entry `number` from 0, `built` in seconds since 1970, `revision` up to 32 bytes, `tool` version.

    `least` are the floors after this release, by class and variant. `bootloader` is the one that devices left the
    factory with then; None where the product file stated none.
    """

    number: int
    vendor: str
    product: str
    version: Version
    sequence: int
    built: int
    revision: bytes
    tool: str
    packages: tuple[LoggedPackage, ...]
    least: tuple[Floor, ...] = ()
    bootloader: Version | None = None

    @property
    def keys(self) -> tuple[bytes, ...]:
        """Every key identifier that the entry names, each once."""
        named = [key for package in self.packages for key in package.keys]
        named += [key for package in self.packages for image in package.images for key in image.keys]
        return tuple(dict.fromkeys(named))


def _rises(values: tuple[object, ...]) -> bool:
    """Say whether values rise: a set has one order."""
    return all(before < after for before, after in itertools.pairwise(values))  # type: ignore[operator]


@lru_cache(maxsize=1024)
def _parsed(text: str) -> Version:
    return Version.parse(text)  # a log repeats those of what did not change


def _read_version(node: Node) -> Version:
    return node.parsed(_parsed, 'a version such as "2.4.1" or "2.4.1-rc.1"', "not a value allowed here")


def _class_and_variant(items: tuple[LoggedPackage, ...] | tuple[Floor, ...]) -> bool:
    return _rises(tuple([(each.class_id, each.variant) for each in items]))


def _one_a_slot(images: tuple[LoggedImage, ...]) -> bool:
    order = [image.component for image in images]
    return order == sorted(order) and len({image.slot for image in images}) == len(images)


_VERSION = Kind(_read_version, str)
_U32, _U63 = integer(0, (1 << 32) - 1), integer(0, (1 << 63) - 1)
_NAME, _VARIANT = ascii_text(256), ascii_text(256, least=0)
_KEYS = array(hexadecimal(16), 1, 16, "key identifiers, each once", lambda keys: len(set(keys)) == len(keys))
_COUNTERS = array(
    pair(integer(1, 255), _U32), 1, 256, "pairs of component number and counter that rise by component",
    lambda pairs: _rises(tuple([component for component, _ in pairs])),
)  # fmt: skip
_BOOTLOADERS = array(
    _VERSION, 0, 2, "versions, the oldest and the newest, or none",
    lambda ends: len(ends) != 1 and ends == tuple(sorted(ends)),
)  # fmt: skip
_IMAGE = record(
    LoggedImage,
    {
        "component": integer(1, 255),
        "name": _NAME,
        "slot": _NAME,
        "version": _VERSION,
        "counter": _U32,
        "statement": hexadecimal(32),
        "keys": _KEYS,
    },
)
_LINE: dict[str, Kind[Any]] = {"class": hexadecimal(16), "variant": _VARIANT}
_PACKAGE = record(
    LoggedPackage,
    {
        **_LINE,
        "manifest": hexadecimal(32),
        "keys": _KEYS,
        "images": array(_IMAGE, 1, 512, "images by component, one a slot", _one_a_slot),
    },
    {"class": "class_id"},
)
_FLOOR = {**_LINE, "sequence": _U32, "manifest": hexadecimal(32), "counters": _COUNTERS}


def _entry(number: int, stated: dict[str, Kind[Any]], floor: dict[str, Kind[Any]]) -> Kind[Entry]:
    return record(
        Entry,
        {
            "number": _U63,
            "vendor": ascii_text(253),
            "product": ascii_text(64),
            "version": _VERSION,
            "sequence": _U32,
            "built": _U63,
            "revision": hexadecimal(0, 32),
            "tool": ascii_text(64),
            **stated,
            "packages": array(_PACKAGE, 1, 256, "packages that rise by class and variant", _class_and_variant),
            "least": array(
                record(Floor, {**_FLOOR, **floor}, {"class": "class_id"}), 1, 256,
                "floors that rise by class and variant", _class_and_variant,
            ),
        },
        fixed={"format": number},
    )  # fmt: skip


_ENTRIES = {
    _BARE: _entry(_BARE, {}, {}),
    _STATED: _entry(_STATED, {"bootloader": _VERSION}, {"bootloaders": _BOOTLOADERS}),
}
"""Format -> its entries, as docs/format/release-log.md has the table of the keys."""


def encode_entry(entry: Entry) -> bytes:
    """Return the bytes that the leaf is hashed from."""
    return compact(_kind_of(entry).write(entry))


def _kind_of(entry: Entry) -> Kind[Entry]:
    return _ENTRIES[_BARE if entry.bootloader is None else _STATED]


def decode_entry(data: bytes) -> Entry:
    """Read an entry; LogFormatError where it is none, or another encoding of one."""
    entry = read_entry(DOCUMENT.node(data, "entry", "entry", unique=False))
    if encode_entry(entry) != data:
        raise LogFormatError(
            "this is another encoding of an entry",
            expected="the one that docs/format/release-log.md describes",
            hint="restore the file from version control or a backup",
        )
    return entry


def read_entry(node: Node) -> Entry:
    """Read an entry from parsed JSON; the encoding is for the caller to compare."""
    number = node.value.get("format") if isinstance(node.value, dict) else None
    if type(number) is int and number > _STATED:
        raise LogFormatError(
            "this entry is of a later format",
            expected=f"format {_BARE} or {_STATED}",
            found=str(number),
            hint="use a newer imgseal",
        )
    return _ENTRIES[_STATED if number == _STATED else _BARE].read(node)


ENTRY = Kind(read_entry, lambda entry: _kind_of(entry).write(entry))
"""An entry inside a proof."""
