"""A second device, deliberately simple: what docs/format/install-record.md says in words, without flash.

It shares no code with the package: it imports nothing of it, and knows images by name and numbers only. Where a power cut may
end in several ways, it lists them.
"""

from typing import NamedTuple

Version = tuple[int, int, int]
BOOTLOADER: Version = (1, 0, 0)


class Image(NamedTuple):
    """One build of a component: `name` tells images apart, `needs` are (component, least, first excluded or None)."""

    name: str
    component: int
    slot: int
    version: Version
    counter: int
    key: str
    needs: tuple[tuple[int, Version, Version | None], ...]


class Package(NamedTuple):
    name: str
    sequence: int
    key: str
    images: tuple[Image, ...]


class Kind(NamedTuple):
    """How a component is installed: two run slots; else staged or straight from the package; kept or not."""

    two: bool
    staged: bool
    kept: bool
    code: bool = True

    @property
    def returns(self) -> bool:
        return self.two or self.kept


Set = dict[int, Image]


class Paper:
    """The device on paper. `running` is what has been started: a set, or None while it waits for a package."""

    def __init__(self, kinds: dict[int, Kind], attempts: int, power_ons: int) -> None:
        self.kinds = kinds
        self.most = attempts, power_ons
        self.phase = "settled"
        self.current: Set = {}
        self.before: Set = {}
        self.counters: dict[int, int] = dict.fromkeys(kinds, 0)
        self.sequence = 0
        self.manifest = ""
        self.target: Package | None = None
        self.refused: list[str] = []
        self.revoked: set[str] = set()
        self.full: dict[int, int] = {}
        self.unraised = False
        self.attempts = self.power_ons = 0
        self.kept: list[int] = []
        self.running: Set | None = None

    # -- judging: "Judging a set", "Delivery" ---------------------------------------------------------------------------

    def may_start(self, members: Set) -> bool:
        if not any(self.kinds[component].code for component in members):
            return False
        for component, image in members.items():
            if image.key in self.revoked or image.counter < self.counters[component]:
                return False
            if self._unmet(image, members):
                return False
        return True

    def _unmet(self, image: Image, members: Set) -> bool:
        versions = {0: BOOTLOADER, **{c: i.version for c, i in members.items()}}
        for component, least, below in image.needs:
            version = versions.get(component)
            if version is None or version < least or (below is not None and version >= below):
                return True
        return False

    def reasons(self, package: Package) -> set[str]:
        """Why the package is refused; empty when it is taken."""
        why = set()
        if package.key in self.revoked:
            return {"trust.key-revoked"}  # nothing that it says is looked at
        if package.name in self.refused:
            why.add("rules.failed-before")
        if self.phase == "trial":
            why.add("rules.trial-open")
        if package.sequence < self.sequence:
            why.add("rollback.sequence-too-low")
        if package.sequence == self.sequence and package.name != self.manifest:
            why.add("rollback.sequence-reused")
        result = {**self.current, **{image.component: image for image in package.images}}
        for image in package.images:
            if image.key in self.revoked:
                why.add("trust.key-revoked")
            else:
                if image.counter < self._floor(image.component):
                    why.add("rollback.counter-too-low")
                if self._unmet(image, result):
                    why.add("rules.requirement-not-met")
        return why

    def _floor(self, component: int) -> int:
        """The least counter that is installed: the storage's, or where that is behind the one that runs."""
        runs = self.current.get(component)
        return max(self.counters[component], runs.counter if self.unraised and runs is not None else 0)

    def new_images(self, package: Package) -> Set:
        """What is written: not what runs already, whichever build of it that is."""
        new: Set = {}
        for component in {image.component for image in package.images}:
            builds = [image for image in package.images if image.component == component]
            runs = self.current.get(component)
            if runs is not None and runs.name in [image.name for image in builds]:
                continue
            free = 1 - runs.slot if runs is not None and self.kinds[component].two else 0
            new[component] = next(image for image in builds if image.slot == free)
        return new

    # -- what happens -----------------------------------------------------------------------------------------------------

    def install(self, package: Package) -> str:
        """Install without a cut, and reset; returns `delivered`, `nothing to do` or `refused`."""
        if self.reasons(package):
            return "refused"
        new = self.new_images(package)
        unproven = self.target.name if self.phase == "unproven" and self.target is not None else None
        if not new and package.name == (unproven or self.manifest):
            return "nothing to do"
        offered = self.may_start(self.current) and all(self.kinds[c].returns for c in new)
        self.target = package
        self.before = self.current if offered else {}
        self.current = {**self.current, **new}
        self.phase = "trial" if offered else "unproven"
        self.unraised = self.unraised and offered
        self.kept = [c for c in new if offered and self.kinds[c].kept and c in self.before]
        self.attempts = self.power_ons = 0
        self.boot(power_on=False)
        return "delivered"

    def boot(self, *, power_on: bool) -> None:
        """One reset."""
        if self.phase == "trial":
            left = self.attempts < self.most[0] and self.power_ons < self.most[1]
            if left and self.may_start(self.current):
                self.power_ons += power_on
                self.attempts += not power_on
                self.running = self.current
                return
            assert self.target is not None
            self.refused = [*self.refused, self.target.name][-4:]
            self.current, self.before, self.phase = self.before, {}, "returning"
        if self.phase == "returning":
            if any(not self._may_be_restored(self.current[component]) for component in self.kept):
                self.running = None
                return
            self.phase, self.target, self.kept = "settled", None, []
            self.attempts = self.power_ons = 0
        if self.phase == "settled" and not self.may_start(self.current) and self._goes_on():
            self.current, self.before = self.before, {}
        self.running = self.current if self.may_start(self.current) else None
        if self.running is not None and self.phase == "settled" and self.unraised:
            self._raise()

    def _goes_on(self) -> bool:
        """The set before: each image still in its run slot, all counters raised before, and it may start."""
        there = all(self.kinds[c].two or self.current.get(c) == image for c, image in self.before.items())
        return there and not self.unraised and self.may_start(self.before)

    def _raise(self) -> None:
        """Raise the counters to those of the set, as far as their storage goes (`full`, its highest number)."""
        for component, image in self.current.items():
            most = min(image.counter, self.full.get(component, image.counter))
            self.counters[component] = max(self.counters[component], most)
        self.unraised = any(self.counters[c] < image.counter for c, image in self.current.items())

    def _may_be_restored(self, image: Image) -> bool:
        """Every check but the requirements, which are judged on whole sets."""
        return image.key not in self.revoked and image.counter >= self.counters[image.component]

    def healthy(self) -> None:
        """The running set reports itself healthy."""
        if self.phase not in ("trial", "unproven") or self.running is None:
            return
        assert self.target is not None
        self._raise()
        self.sequence, self.manifest = self.target.sequence, self.target.name
        self.phase, self.target, self.kept = "settled", None, []
        self.attempts = self.power_ons = 0

    def wear(self, component: int) -> None:
        """The storage of a counter takes no more; or takes more again."""
        if self.full.pop(component, None) is None:
            self.full[component] = self.counters[component]

    def revoke(self, key: str) -> None:
        """A key is revoked; what it signed starts no more, from the next reset on."""
        self.revoked.add(key)
