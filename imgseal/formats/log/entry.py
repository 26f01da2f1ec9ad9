"""Entries of the release log, formats 1 and 2: values and their one encoding, compact JSON in ASCII.

docs/format/release-log.md has the table of the keys; the encoding of an entry is what the tree's leaf is hashed from.
Format 2 is that of releases whose product file states a bootloader; the entry says which, and so do the floors.
"""

from functools import lru_cache

from imgseal.formats.log.errors import LogFormatError
from imgseal.formats.log.strict_json import Json, Node, encode, parse
from imgseal.records import NamedTuple
from imgseal.versions import Version

_BARE, _STATED = 1, 2
_U32 = 0xFFFF_FFFF
_U63 = (1 << 63) - 1
_NAME_MAX = 256
_KEYS_MAX, _IMAGES_MAX, _PACKAGES_MAX, _FLOORS_MAX, _COMPONENTS_MAX = 16, 512, 256, 256, 256


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
    least: tuple[Floor, ...]
    bootloader: Version | None = None

    @property
    def keys(self) -> tuple[bytes, ...]:
        """Every key identifier that the entry names, each once."""
        named = [key for package in self.packages for key in package.keys]
        named += [key for package in self.packages for image in package.images for key in image.keys]
        return tuple(dict.fromkeys(named))


def encode_entry(entry: Entry) -> bytes:
    """Return the bytes that the leaf is hashed from."""
    return encode(_tree(entry))


def _tree(entry: Entry) -> Json:
    stated = {} if entry.bootloader is None else {"bootloader": str(entry.bootloader)}
    return {
        "format": _STATED if stated else _BARE,
        "number": entry.number,
        "vendor": entry.vendor,
        "product": entry.product,
        "version": str(entry.version),
        "sequence": entry.sequence,
        "built": entry.built,
        "revision": entry.revision.hex(),
        "tool": entry.tool,
        **stated,
        "packages": [_package_tree(package) for package in entry.packages],
        "least": [
            {
                "class": floor.class_id.hex(),
                "variant": floor.variant,
                "sequence": floor.sequence,
                "manifest": floor.manifest.hex(),
                "counters": [list(pair) for pair in floor.counters],
                **({"bootloaders": [str(version) for version in floor.bootloaders]} if stated else {}),
            }
            for floor in entry.least
        ],
    }


def _package_tree(package: LoggedPackage) -> Json:
    return {
        "class": package.class_id.hex(),
        "variant": package.variant,
        "manifest": package.manifest.hex(),
        "keys": [key.hex() for key in package.keys],
        "images": [
            {
                "component": image.component,
                "name": image.name,
                "slot": image.slot,
                "version": str(image.version),
                "counter": image.counter,
                "statement": image.statement.hex(),
                "keys": [key.hex() for key in image.keys],
            }
            for image in package.images
        ],
    }


def decode_entry(data: bytes) -> Entry:
    """Read an entry; LogFormatError where it is none, or another encoding of one."""
    entry = read_entry(Node(parse(data, "entry"), "entry"))
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
    stated = number == _STATED
    if type(number) is int and number > _STATED:
        raise LogFormatError(
            "this entry is of a later format",
            expected=f"format {_BARE} or {_STATED}",
            found=str(number),
            hint="use a newer imgseal",
        )
    at = node.members(
        "format", "number", "vendor", "product", "version", "sequence", "built", "revision", "tool",
        *(("bootloader",) if stated else ()), "packages", "least",
    )  # fmt: skip
    at["format"].integer(_BARE, _STATED)
    return Entry(
        number=at["number"].integer(0, _U63),
        vendor=at["vendor"].text(253),
        product=at["product"].text(64),
        version=_version(at["version"]),
        sequence=at["sequence"].integer(0, _U32),
        built=at["built"].integer(0, _U63),
        revision=at["revision"].hexadecimal(0, 32),
        tool=at["tool"].text(64),
        packages=tuple(_package(each) for each in _rising(at["packages"], 1, _PACKAGES_MAX, "class", "variant")),
        least=tuple(_floor(each, stated=stated) for each in _rising(at["least"], 1, _FLOORS_MAX, "class", "variant")),
        bootloader=_version(at["bootloader"]) if stated else None,
    )


def _rising(node: Node, least: int, most: int, *keys: str) -> list[Node]:
    """Return the items of an array of objects that rise by these keys: a set has one order."""
    items = node.items(least, most)
    order = [tuple(str(each.value.get(key)) for key in keys) for each in items if isinstance(each.value, dict)]
    if any(order[index] >= order[index + 1] for index in range(len(order) - 1)):
        raise node.wrong(f"items that rise by {' and '.join(keys)}")
    return items


def _keys(node: Node) -> tuple[bytes, ...]:
    keys = tuple(each.hexadecimal(16, 16) for each in node.items(1, _KEYS_MAX))
    if len(set(keys)) != len(keys):
        raise node.wrong("each key once")
    return keys


@lru_cache(maxsize=1024)
def _parsed(text: str) -> Version:
    return Version.parse(text)  # a log repeats those of what did not change


def _version(node: Node) -> Version:
    try:
        return _parsed(node.text(64))
    except ValueError:
        raise node.wrong('a version such as "2.4.1" or "2.4.1-rc.1"') from None


def _package(node: Node) -> LoggedPackage:
    at = node.members("class", "variant", "manifest", "keys", "images")
    return LoggedPackage(
        variant=at["variant"].text(_NAME_MAX, least=0),
        class_id=at["class"].hexadecimal(16, 16),
        manifest=at["manifest"].hexadecimal(32, 32),
        keys=_keys(at["keys"]),
        images=_images(at["images"]),
    )


def _images(node: Node) -> tuple[LoggedImage, ...]:
    images = tuple(_image(each) for each in node.items(1, _IMAGES_MAX))
    order = [image.component for image in images]
    if order != sorted(order) or len({image.slot for image in images}) != len(images):
        raise node.wrong("images by component, one a slot")
    return images


def _image(node: Node) -> LoggedImage:
    at = node.members("component", "name", "slot", "version", "counter", "statement", "keys")
    return LoggedImage(
        component=at["component"].integer(1, 255),
        name=at["name"].text(_NAME_MAX),
        slot=at["slot"].text(_NAME_MAX),
        version=_version(at["version"]),
        counter=at["counter"].integer(0, _U32),
        statement=at["statement"].hexadecimal(32, 32),
        keys=_keys(at["keys"]),
    )


def _floor(node: Node, *, stated: bool) -> Floor:
    names = ("class", "variant", "sequence", "manifest", "counters")
    at = node.members(*names, "bootloaders") if stated else node.members(*names)
    counters = []
    for each in at["counters"].items(1, _COMPONENTS_MAX):
        component, counter = each.items(2, 2)
        counters.append((component.integer(1, 255), counter.integer(0, _U32)))
    if any(counters[index][0] >= counters[index + 1][0] for index in range(len(counters) - 1)):
        raise at["counters"].wrong("pairs of component number and counter that rise by component")
    return Floor(
        variant=at["variant"].text(_NAME_MAX, least=0),
        class_id=at["class"].hexadecimal(16, 16),
        sequence=at["sequence"].integer(0, _U32),
        manifest=at["manifest"].hexadecimal(32, 32),
        counters=tuple(counters),
        bootloaders=_bootloaders(at["bootloaders"]) if stated else (),
    )


def _bootloaders(node: Node) -> tuple[Version, ...]:
    versions = tuple(_version(each) for each in node.items(0, 2))
    if len(versions) == 1 or versions != tuple(sorted(versions)):
        raise node.wrong("the oldest and the newest version, or none")
    return versions
