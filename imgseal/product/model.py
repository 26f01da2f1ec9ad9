"""The product file as values; docs/format/product-file.md says what each key means.

Sizes in bytes, addresses absolute.
"""

import hashlib
from collections.abc import Mapping

from imgseal.records import NamedTuple
from imgseal.versions import Version

__all__ = [
    "Bootloader",
    "Component",
    "Memory",
    "OutsideRange",
    "Product",
    "Release",
    "Requirement",
    "Rules",
    "SigningKeys",
    "Slot",
    "Text",
    "TrustEntry",
    "TrustTable",
    "class_identifier",
    "vendor_identifier",
]

_DNS = bytes.fromhex("6ba7b8109dad11d180b400c04fd430c8")  # name space for domain names, RFC 9562 section 6.6


def _uuid5(space: bytes, name: str) -> bytes:
    """UUID version 5, 16 bytes (RFC 9562 section 5.5); the uuid module would cost 2 ms of start-up."""
    digest = bytearray(hashlib.sha1(space + name.encode(), usedforsecurity=False).digest()[:16])
    digest[6] = digest[6] & 0x0F | 0x50
    digest[8] = digest[8] & 0x3F | 0x80
    return bytes(digest)


def vendor_identifier(domain: str) -> bytes:
    """Return the vendor identifier, 16 bytes; RFC 9124 section 3.3."""
    return _uuid5(_DNS, domain)


def class_identifier(vendor_id: bytes, name: str) -> bytes:
    """Return the class identifier, 16 bytes; RFC 9124 section 3.4."""
    return _uuid5(vendor_id, name)


class Release(NamedTuple):
    """What names a set: its version, and the manifest sequence number that only ever rises."""

    version: Version
    sequence: int


class SigningKeys(NamedTuple):
    """Key references as the product file writes them; relative to its folder."""

    images: str | None
    packages: str | None


class Memory(NamedTuple):
    """A memory of the device. `write_unit` is the smallest programmable piece.

    `trusted` is False for external parts.
    """

    name: str
    base: int
    size: int
    kind: str
    erase_block: int
    write_unit: int
    program_once: bool
    page: int
    trusted: bool


class Slot(NamedTuple):
    """A range of a memory, `at` bytes from its base; `holds` names a purpose of its own.

    Bootloader, records, recovery.
    """

    name: str
    memory: str
    at: int
    size: int
    holds: str | None


class Requirement(NamedTuple):
    """`least` <= version of the named component, and < `below` where given; component 0 is the bootloader."""

    component: int
    name: str
    least: Version
    below: Version | None


class OutsideRange(NamedTuple):
    """A range of addresses outside the run slots that a firmware file may hold: dropped, or carried to a component."""

    at: int
    size: int
    carry: str | None


class Component(NamedTuple):
    """A component: one image of a set. Slots by name.

    `header` lists header slots for detached images, one a run slot.
    """

    name: str
    number: int
    kind: str
    version: Version
    counter: int
    counter_steps: int | None
    core: str
    vectors: int
    run: tuple[str, ...]
    staging: str | None
    keep: str | None
    way_back: str
    header: tuple[str, ...]
    header_block: int
    hazard: str | None
    needs: tuple[Requirement, ...]
    judged: str
    outside: tuple[OutsideRange, ...]
    description: str | None


class Bootloader(NamedTuple):
    """The bootloader that devices leave the factory with; component 0 of requirements."""

    version: Version


class TrustEntry(NamedTuple):
    """A public key file and what it is good for; empty limits mean everything."""

    key: str
    components: tuple[str, ...]
    classes: tuple[str, ...]


class TrustTable(NamedTuple):
    """The trust anchors by role, and how many distinct signers are needed."""

    images: tuple[TrustEntry, ...]
    packages: tuple[TrustEntry, ...]
    need_images: int
    need_packages: int
    development_images: tuple[TrustEntry, ...]
    development_packages: tuple[TrustEntry, ...]


class Rules(NamedTuple):
    """Rules of the product; `minimum_battery` in mWh, `update_priority` as in SUIT (smaller is more urgent)."""

    algorithms: tuple[str, ...]
    example_keys: str
    external_code: str
    minimum_battery: int | None
    update_priority: int


class Text(NamedTuple):
    """What packages say to people."""

    language: str
    description: str | None
    vendor_name: str | None
    model: str | None
    cautions: tuple[str, ...]


class Product(NamedTuple):
    """A whole product file, of one variant where it was asked for."""

    source: str
    name: str
    vendor: str
    class_name: str
    vendor_id: bytes
    class_id: bytes
    hardware: tuple[int, int]
    release: Release
    signing: Mapping[str, SigningKeys]
    memories: Mapping[str, Memory]
    slots: Mapping[str, Slot]
    components: Mapping[str, Component]
    bootloader: Bootloader | None
    trust: TrustTable
    rules: Rules
    text: Text
    variants: Mapping[str, str]
    variant: str | None

    def variant_class_ids(self) -> dict[str, bytes]:
        """Return the class identifier of each variant by its name."""
        return {name: class_identifier(self.vendor_id, text) for name, text in self.variants.items()}

    def slot_base(self, name: str) -> int:
        """Return the absolute address of a slot's first byte."""
        slot = self.slots[name]
        return self.memories[slot.memory].base + slot.at
