"""The releases of a log, and the devices that each stands for: what they run, and how they left the factory."""

from collections.abc import Collection, Iterable, Mapping

from imgseal.formats.log.entry import Anchors, Entry, Line, Logged, LoggedImage, LoggedPackage, Withdrawal
from imgseal.formats.log.floors import counters_of, highest_of, of_recovery
from imgseal.formats.log.layout import Layout
from imgseal.records import NamedTuple
from imgseal.versions import Version


class Made(NamedTuple):
    """How devices left the factory; None for what the log does not say."""

    anchors: Anchors | None
    bootloader: Version | None
    layout: Layout | None


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

    `since` are the entries of the releases that they may have left the factory with: all of them were `made` so.
    """

    release: Release
    made: Made
    since: tuple[int, ...]
    counters: tuple[tuple[int, int], ...]
    images: tuple[tuple[int, LoggedImage], ...]


class History:
    """What a log says of releases; those that were withdrawn are among them, and named by `withdrawn`."""

    def __init__(self, entries: Iterable[Logged]) -> None:
        withdrawn: set[bytes] = set()
        self.releases: list[Release] = []
        layouts: dict[Line, Layout] = {}
        for entry in entries:
            if isinstance(entry, Withdrawal):
                withdrawn |= {package.manifest for package in entry.packages}
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
        for release in self.releases:
            self._by_line.setdefault(release.line, []).append(release)

    def of_line(self, line: Line) -> list[Release]:
        """Return the releases for a class and variant, those of all channels."""
        return self._by_line.get(line, [])

    def before(self, release: Release) -> list[Release]:
        """Return the earlier releases for the same class and variant, those of all channels."""
        return [each for each in self.of_line(release.line) if each.sequence < release.sequence]

    def first_devices(self, release: Release) -> tuple[Device, ...]:
        """Return the devices that leave the factory with a release: one for each run slot that a build may run in.

        None where it does not bring every component that earlier ones brought: what is missing came before it.
        """
        before, brings = self.before(release), release.brings
        if {number for each in before for number in each.brings} - set(brings):
            return ()
        alike = (each for each in (*before, release) if (each.made, each.channel) == (release.made, release.channel))
        since = tuple(each.entry for each in alike)
        ends = (tuple((number, builds[end]) for number, builds in sorted(brings.items())) for end in (0, -1))
        return tuple(Device(release, release.made, since, self._counters(release), s) for s in dict.fromkeys(ends))

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
            for each in self.releases
            if each.line[0] == release.line[0] and of_recovery(each.line[1]) and each.entry < release.entry
        ]
        return highest_of((*recovery, counters_of(release.package)))
