"""The releases of a log, and the devices that each stands for: what they run, and how they left the factory."""

from bisect import bisect_left
from collections.abc import Collection, Iterable, Mapping
from itertools import groupby, pairwise

from imgseal.formats.log.entry import (
    Anchors,
    AnchorsMade,
    DeliveryMade,
    Entry,
    Line,
    Logged,
    LoggedImage,
    LoggedPackage,
    Withdrawal,
)
from imgseal.formats.log.floors import counters_of, highest_of, of_recovery
from imgseal.formats.log.layout import Layout
from imgseal.records import NamedTuple
from imgseal.versions import Version

Range = tuple[int, int]
"""The least and the highest of some hardware revisions."""


class Made(NamedTuple):
    """How devices left the factory; None for what the log does not say.

    Of those that have taken a trust anchor set since, `anchors` and `revoked` are those of the set.
    """

    anchors: Anchors | None
    bootloader: Version | None
    layout: Layout | None
    revoked: tuple[bytes, ...] = ()


class Release(NamedTuple):
    """The package of a logged release for one class and variant; `entry` is the number of its entry."""

    entry: int
    channel: str
    version: Version
    sequence: int
    package: LoggedPackage
    made: Made

    @property
    def manifest(self) -> bytes:
        """The digest of its manifest, by which an archive is searched."""
        return self.package.manifest

    @property
    def line(self) -> Line:
        """Its class and variant."""
        return self.package.line

    @property
    def brings(self) -> Mapping[int, tuple[LoggedImage, ...]]:
        """Its images by component number: one for each run slot that it has a build for."""
        numbers = dict.fromkeys(image.component for image in self.package.images)
        return {n: tuple(image for image in self.package.images if image.component == n) for n in numbers}


class Device(NamedTuple):
    """Devices that no judgement can tell apart: they run `images` (by component number) since they took `release`.

    `since` is the entry of the first release of their channel which devices left the factory with that were `made` so.
    `hardware` are the least and the highest revision of these devices, all of which the same releases are for; None
    where the log does not say it.
    """

    release: Release
    made: Made
    since: int
    counters: tuple[tuple[int, int], ...]
    images: tuple[tuple[int, LoggedImage], ...]
    hardware: Range | None = None


class History:
    """What a log says of releases; those that were withdrawn are among them, and named by `withdrawn`.

    `deliveries` are those of each release, by the digests of manifests.
    """

    def __init__(self, entries: Iterable[Logged]) -> None:
        withdrawn: set[bytes] = set()
        self.releases: list[Release] = []
        self.deliveries: dict[bytes, list[bytes]] = {}
        layouts: dict[Line, Layout] = {}
        self._sets: dict[bytes, AnchorsMade] = {}
        for entry in entries:
            if isinstance(entry, Withdrawal):
                withdrawn |= {package.manifest for package in entry.packages}
            elif isinstance(entry, DeliveryMade):
                self.deliveries.setdefault(entry.manifest, []).append(entry.delivery)
            elif isinstance(entry, AnchorsMade):
                self._sets[entry.class_id] = entry
            elif isinstance(entry, Entry):
                for package in entry.packages:
                    if package.layout is not None:
                        layouts[package.line] = package.layout
                    made = Made(entry.anchors, entry.bootloader, layouts.get(package.line))
                    self.releases.append(
                        Release(entry.number, entry.channel, entry.version, entry.sequence, package, made)
                    )
        self.withdrawn = frozenset(withdrawn)
        self.releases.sort(key=lambda each: (each.line, each.sequence))
        self._by_line: dict[Line, list[Release]] = {}
        self._since: dict[bytes, int | None] = {}
        self._hardware: dict[Line, set[Range]] = {}
        for line, found in groupby(self.releases, key=lambda each: each.line):
            self._by_line[line] = list(found)
            self._hardware[line] = set(filter(None, map(_hardware, self._by_line[line])))
            self._find_first(self._by_line[line])

    def _find_first(self, releases: list[Release]) -> None:
        """Note since when devices are made as with each release; None where it does not bring what was brought before.

        What such a release lacks has come before it, so that nothing leaves the factory with it alone.
        """
        brought: set[int] = set()
        first: dict[tuple[str, Made], int] = {}
        for release in releases:
            brought |= set(release.brings)
            since = first.setdefault((release.channel, release.made), release.entry)
            self._since[release.manifest] = since if brought == set(release.brings) else None

    def of_line(self, line: Line) -> list[Release]:
        """Return the releases for a class and variant, those of all channels."""
        return self._by_line.get(line, [])

    def before(self, release: Release) -> list[Release]:
        """Return the earlier releases for the same class and variant, those of all channels."""
        mine = self.of_line(release.line)
        return mine[: bisect_left(mine, release.sequence, key=lambda each: each.sequence)]

    def first_devices(self, release: Release, target: Range | None = None) -> tuple[Device, ...]:
        """Return the devices that leave the factory with a release: one for each run slot that a build may run in.

        Those of hardware revisions that other releases, or the `target`, are for and some not are told apart.
        """
        since = self._since[release.manifest]
        if since is None:
            return ()
        ends = (tuple((number, builds[end]) for number, builds in sorted(release.brings.items())) for end in (0, -1))
        counters = self._counters(release)
        return tuple(
            Device(release, release.made, since, counters, runs, hardware)
            for runs in dict.fromkeys(ends)
            for hardware in self._revisions(release, target)
        )

    def _revisions(self, release: Release, target: Range | None) -> tuple[Range | None, ...]:
        """Return the hardware revisions that a release is for, in parts of which each is in a range or out of it."""
        whole = _hardware(release)
        if whole is None:
            return (None,)
        ranges = {*self._hardware[release.line], *([] if target is None else [target])}
        ends = {end for least, most in ranges for end in (least, most + 1) if whole[0] < end <= whole[1]}
        return tuple((least, end - 1) for least, end in pairwise(sorted({whole[0], *ends, whole[1] + 1})))

    def given_anchors(self, device: Device) -> tuple[int, Device] | None:
        """Return a device once it has taken the last trust anchor set of its class, and the entry of that set.

        None where the log has none; how many signers a set asks for it does not say: as many as were needed before.
        """
        made, anchors = self._sets.get(device.release.line[0]), device.made.anchors
        if made is None or anchors is None:
            return None
        anchors = anchors._replace(images=made.images, packages=made.packages)
        return made.number, device._replace(made=device.made._replace(anchors=anchors, revoked=made.revoked))

    def after(self, device: Device, release: Release, installs: Collection[str] | None) -> Device:
        """Return a device once it has taken a release, which it installs to these slots; None: not known to which.

        What runs already and is offered again stays.
        """
        images = dict(device.images)
        for number, builds in release.brings.items():
            runs = images.get(number)
            if runs is None or runs.statement not in {each.statement for each in builds}:
                free = [each for each in builds if runs is None or each.slot != runs.slot]
                written = [each for each in builds if each.slot in installs] if installs is not None else free
                images[number] = (written or free or list(builds))[-1]
        counters = highest_of((device.counters, counters_of(release.package)))
        return device._replace(release=release, counters=counters, images=tuple(sorted(images.items())))

    def _counters(self, release: Release) -> tuple[tuple[int, int], ...]:
        """Return the counters after a release; those of recovery images, which come by themselves, are the class's."""
        recovery = [
            counters_of(each.package)
            for line, found in self._by_line.items()
            if line[0] == release.line[0] and of_recovery(line[1])
            for each in found
            if each.entry < release.entry
        ]
        return highest_of((*recovery, counters_of(release.package)))


def _hardware(release: Release) -> Range | None:
    return None if release.made.layout is None else release.made.layout.hardware
