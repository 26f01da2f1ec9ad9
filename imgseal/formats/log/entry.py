"""Entries of the release log as values: releases, and what else is remembered; docs/format/release-log.md.

Formats 1 and 2 know releases alone; what is added now is of format 3, which has kinds of entries.
"""

from typing import TypeAlias

from imgseal.formats.log.layout import Layout
from imgseal.records import NamedTuple
from imgseal.versions import Version

NEWEST = 3
"""The format of what is added now."""

WITHDRAWN = 256
"""Releases of one class and variant that can be withdrawn: each entry after them names all of them."""


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
    """An update package: the variant it is for ("" where there is none), its class, the SHA-256 of its manifest.

    `layout` is what devices of it are laid out as; None where it is as in the entry that the floor names. A reserved
    package has neither manifest nor keys yet.
    """

    variant: str
    class_id: bytes
    manifest: bytes
    keys: tuple[bytes, ...]
    images: tuple[LoggedImage, ...]
    layout: Layout | None = None

    @property
    def line(self) -> "Line":
        """What its floor is kept by."""
        return self.class_id, self.variant


Line: TypeAlias = tuple[bytes, str]
"""Class and variant."""

RECOVERY = "/recovery"
"""What stands behind the variant of a package that has recovery images alone: its numbers are of their own."""


class Released(NamedTuple):
    """The last release of a channel: its version and sequence, and the number of its entry."""

    channel: str
    version: Version
    sequence: int
    entry: int


class Open(NamedTuple):
    """A reservation that is neither completed nor surrendered: its entry, and the numbers that it holds."""

    entry: int
    sequence: int
    counters: tuple[tuple[int, int], ...]


class Floor(NamedTuple):
    """What later releases for a class and variant must not go below: sequence, and counters by component number.

    `manifest` is the digest of the package that has this sequence; empty where nothing is released yet. `bootloaders`
    are the oldest and the newest that devices of this class and variant have left the factory with; empty where not
    every release has said so. `given` is the highest sequence that a release or a reservation has had; `layout` the
    number of the entry that states how devices are laid out, and the offset of its line; `withdrawn` are manifests;
    `hardware` are the least and the highest revision that a release was for, where one says it.
    """

    variant: str
    class_id: bytes
    sequence: int
    manifest: bytes
    counters: tuple[tuple[int, int], ...]
    bootloaders: tuple[Version, ...] = ()
    given: int = 0
    channels: tuple[Released, ...] = ()
    open: tuple[Open, ...] = ()
    layout: tuple[int, int] | None = None
    withdrawn: tuple[bytes, ...] = ()
    hardware: tuple[int, int] | None = None

    @property
    def line(self) -> Line:
        """What it is kept by."""
        return self.class_id, self.variant


class Anchors(NamedTuple):
    """The trust anchors that the product file had: key identifiers by role, how many sign, who signs later sets."""

    images: tuple[bytes, ...]
    packages: tuple[bytes, ...]
    need_images: int
    need_packages: int
    apex: bytes
    contingency: bytes


class Entry(NamedTuple):
    """A release: entry `number` from 0, `built` in seconds since 1970, `revision` up to 32 bytes, `tool` version.

    `least` are the floors after this release, by class and variant. `bootloader` is the one that devices left the
    factory with then; None where the product file stated none. `again` says why a version was released again or went
    down, `unrecorded` why the sources are not on record; empty where nothing had to be said. `reserved` is the entry
    that held its number. `witness` is the size of the log whose head its packages carry; None: they carry none.
    `origin` is the entry whose sealed images a promotion signs again.
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
    format: int = NEWEST
    channel: str = ""
    again: str = ""
    unrecorded: str = ""
    reserved: int | None = None
    witness: int | None = None
    anchors: Anchors | None = None
    origin: int | None = None

    @property
    def keys(self) -> tuple[bytes, ...]:
        """Every key identifier that has signed, each once."""
        named = [key for package in self.packages for key in package.keys]
        named += [key for package in self.packages for image in package.images for key in image.keys]
        return tuple(dict.fromkeys(named))


class Reservation(NamedTuple):
    """A number that a signing request holds: what is asked for, before anybody has signed its packages."""

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
    channel: str = ""
    again: str = ""
    unrecorded: str = ""
    witness: int | None = None

    @property
    def keys(self) -> tuple[bytes, ...]:
        """None: nothing is signed yet."""
        return ()


class Surrender(NamedTuple):
    """A reservation that is surrendered: the number of its `entry`, and why. Its sequence is not given again."""

    number: int
    built: int
    tool: str
    entry: int
    why: str
    least: tuple[Floor, ...] = ()

    @property
    def keys(self) -> tuple[bytes, ...]:
        """None."""
        return ()


class Withdrawn(NamedTuple):
    """A package of a release that is withdrawn."""

    variant: str
    class_id: bytes
    manifest: bytes


class Withdrawal(NamedTuple):
    """A release that nobody is to install any more: the number of its `entry`, why, and its packages."""

    number: int
    built: int
    tool: str
    entry: int
    why: str
    packages: tuple[Withdrawn, ...]
    least: tuple[Floor, ...] = ()

    @property
    def keys(self) -> tuple[bytes, ...]:
        """None."""
        return ()


class AddedSignature(NamedTuple):
    """Signatures that a package got after it was logged: the number of its release's `entry`, and who signed."""

    number: int
    built: int
    tool: str
    entry: int
    manifest: bytes
    keys: tuple[bytes, ...]
    least: tuple[Floor, ...] = ()


class AnchorsMade(NamedTuple):
    """A trust anchor set for devices in the field: SHA-256 of the file, its number, keys by role, who signed it.

    Without keys for deliveries those for packages sign these.
    """

    number: int
    built: int
    tool: str
    class_id: bytes
    variant: str
    digest: bytes
    generation: int
    images: tuple[bytes, ...]
    packages: tuple[bytes, ...]
    revoked: tuple[bytes, ...]
    signer: bytes
    least: tuple[Floor, ...] = ()
    deliveries: tuple[bytes, ...] = ()

    @property
    def keys(self) -> tuple[bytes, ...]:
        """Who signed the set."""
        return (self.signer,)


class DeliveryMade(NamedTuple):
    """A delivery of a release: the number of its `entry`, and its manifest; the delivery's own, bases, and who signed.

    Bases are what its patches start from, by their SHA-256.
    """

    number: int
    built: int
    tool: str
    entry: int
    manifest: bytes
    delivery: bytes
    bases: tuple[bytes, ...]
    keys: tuple[bytes, ...]
    least: tuple[Floor, ...] = ()


Logged: TypeAlias = Entry | Reservation | Surrender | Withdrawal | AddedSignature | AnchorsMade | DeliveryMade
"""Any entry of the log."""


_WORDS: dict[type[Logged], str] = {
    Reservation: "reservation",
    Surrender: "surrender",
    Withdrawal: "withdrawal",
    AddedSignature: "signature",
    AnchorsMade: "anchors",
    DeliveryMade: "delivery",
}


def kind_of(entry: Logged) -> str:
    """Return the word that an entry has for what it is."""
    if isinstance(entry, Entry):
        return "release" if entry.origin is None else "promotion"
    return _WORDS[type(entry)]
