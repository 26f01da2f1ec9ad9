"""Logs with every kind of entry, drawn from a seed, and what docs/format/release-log.md says of floors once more."""

import copy
import random
from hashlib import sha256
from typing import Any

from log_book import CLASS, draft, image, key

from imgseal.formats.log.entry import (
    AddedSignature,
    Anchors,
    AnchorsMade,
    DeliveryMade,
    Entry,
    Logged,
    LoggedPackage,
    Reservation,
    Surrender,
    Withdrawal,
    Withdrawn,
)
from imgseal.formats.log.layout import LaidComponent, LaidSlot, Layout
from imgseal.formats.log.lines import EMPTY, Step, added

ANCHORS = Anchors((key("images"),), (key("packages"),), 1, 1, key("apex"), b"")


def layout(revision: int) -> Layout:
    run = (("motor-a", 0x6001_0400), ("motor-b", 0x6005_0400))
    motor = LaidComponent(1, "motor", "code", "main", 1024, run, (), "", "")
    slot = LaidSlot("motor-a", "flash", 0x6000_0000, 0x6001_0000, 0x40000 + revision, "")
    hardware = None if revision % 3 == 0 else (4 - revision % 4, 4 + revision % 5)
    slots = (slot, slot._replace(name="motor-b", address=0x6005_0000))
    return Layout("vent-drive-2", revision, 1, (motor,), slots, hardware=hardware)


class Maker:
    """Draws entries that may follow, as a product line would have them: two variants of a class, two channels."""

    def __init__(self, seed: int, draw: random.Random | None = None) -> None:
        self.draw = draw or random.Random(seed)
        self.tip = EMPTY
        self.steps: list[Step] = []
        self.lines: list[bytes] = []
        self.sequence = 0
        self.counter = 0
        self.open: list[Reservation] = []
        self.releases: list[Entry] = []
        self.laid: set[str] = set()

    def add(self, entry: Logged) -> Step:
        line, step = added(self.tip, entry)
        self.tip = step.tip
        self.lines.append(line)
        self.steps.append(step)
        return step

    @property
    def data(self) -> bytes:
        return b"".join(line + b"\n" for line in self.lines)

    def package(self, number: int, variant: str, counter: int) -> LoggedPackage:
        images = (image(number, 1, counter), image(number, 2, 3))
        stated = None
        if variant not in self.laid or self.draw.random() < 0.1:
            stated = layout(number)
            self.laid.add(variant)
        manifest = sha256(f"manifest {number} {variant}".encode()).digest()
        return LoggedPackage(variant, CLASS, manifest, (key("packages"),), images, stated)

    def numbers(self) -> tuple[int, int]:
        self.sequence += self.draw.choice((1, 1, 1, 5))
        self.counter += self.draw.random() < 0.2
        return self.sequence, self.counter

    def release(self, number: int) -> None:
        sequence, counter = self.numbers()
        variants = self.draw.choice(([""], ["north"], ["", "north"]))
        origin = self.draw.choice(self.releases).number if self.releases and self.draw.random() < 0.2 else None
        entry = draft(number, sequence=sequence)._replace(
            packages=tuple(self.package(number, variant, counter) for variant in variants),
            format=3, channel=self.draw.choice(("beta", "production")), witness=self.tip.size, anchors=ANCHORS,
            again=self.draw.choice(("", "the radio was built twice")), origin=origin,
            unrecorded=self.draw.choice(("", "built from a tarball")),
        )  # fmt: skip
        self.releases.append(self.add(entry).entry)  # type: ignore[arg-type]

    def reserve(self, number: int) -> None:
        sequence, counter = self.numbers()
        made = draft(number, sequence=sequence)
        pictures = (image(number, 1, counter), image(number, 2, 3))
        images = LoggedPackage("", CLASS, b"", (), pictures)
        entry = Reservation(0, made.vendor, made.product, made.version, sequence, made.built, made.revision, made.tool,
                            (images,), channel="production", witness=self.tip.size)  # fmt: skip
        self.open.append(self.add(entry).entry)  # type: ignore[arg-type]

    def complete(self, number: int) -> None:
        held = self.open.pop(self.draw.randrange(len(self.open)))
        (package,) = held.packages
        manifest = sha256(f"reserved {held.number}".encode()).digest()
        signed = package._replace(manifest=manifest, keys=(key("packages"),), layout=layout(number))
        entry = draft(number, sequence=held.sequence)._replace(
            packages=(signed,), format=3, channel="production", witness=held.witness, reserved=held.number, anchors=None
        )
        self.laid.add("")
        self.releases.append(self.add(entry).entry)  # type: ignore[arg-type]

    def surrender(self) -> None:
        held = self.open.pop(self.draw.randrange(len(self.open)))
        self.add(Surrender(0, 1_764_072_000, "0.2.0", held.number, "the holder is away"))

    def withdraw(self) -> None:
        gone = self.draw.choice(self.releases)
        packages = tuple(Withdrawn(each.variant, each.class_id, each.manifest) for each in gone.packages)
        self.add(Withdrawal(0, 1_764_072_000, "0.2.0", gone.number, "it stops the vent half open", packages))

    def sign(self) -> None:
        release = self.draw.choice(self.releases)
        manifest = self.draw.choice(release.packages).manifest
        self.add(AddedSignature(0, 1_764_072_000, "0.2.0", release.number, manifest, (key("second"),)))

    def deliver(self, number: int) -> None:
        release = self.draw.choice(self.releases)
        manifest = self.draw.choice(release.packages).manifest
        bases = tuple(sorted(sha256(f"base {n}".encode()).digest() for n in range(self.draw.randrange(3))))
        made = sha256(f"delivery {number}".encode()).digest()
        self.add(DeliveryMade(0, 1_764_072_000, "0.2.0", release.number, manifest, made, bases, (key("deliveries"),)))

    def anchors(self, number: int) -> None:
        digest = sha256(f"set {number}".encode()).digest()
        delivering = tuple(sorted(key(f"deliveries {n}") for n in range(number % 3)))
        self.add(AnchorsMade(0, 1_764_072_000, "0.2.0", CLASS, "", digest, number, (key("images"),),
                             (key("packages"),), (), key("apex"), deliveries=delivering))  # fmt: skip


def mixed(seed: int, size: int) -> Maker:
    """A log that begins with releases of the older formats and goes on with every kind."""
    maker = Maker(seed)
    for number in range(maker.draw.randrange(4)):
        maker.sequence, maker.counter = number + 10, number // 10
        maker.releases.append(maker.add(draft(number)).entry)  # type: ignore[arg-type]
    while len(maker.steps) < size:
        number = len(maker.steps)
        what = maker.draw.choice(
            ("release", "release", "reserve", "complete", "surrender", "withdraw", "sign", "anchors", "deliver")
        )
        if (what in ("complete", "surrender") and not maker.open) or (
            what in ("withdraw", "sign", "deliver") and not maker.releases
        ):
            continue
        method = getattr(maker, what)
        method(number) if what in ("release", "reserve", "complete", "anchors", "deliver") else method()
    return maker


# -- the page's rules once more ---------------------------------------------------------------------


Floors = dict[tuple[str, str], dict[str, Any]]


def floors_by_the_page(entries: list[dict[str, Any]], offsets: list[int]) -> list[list[dict[str, Any]]]:
    """The floors after each entry, in JSON, as the section "Floors" of the page says; for entries that are good."""
    floors: Floors = {}
    out = []
    for entry, at in zip(entries, offsets, strict=True):
        follow(floors, entry, at)
        out.append(stated(floors, entry))
    return out


def follow(floors: Floors, entry: dict[str, Any], at: int) -> None:
    """Change the floors as an entry does whose line begins there."""
    kind = entry.get("kind", "old")
    if kind in ("release", "promotion", "old"):
        for package in entry["packages"]:
            _release(floors, entry, package, at)
        if entry["format"] == 1:
            for floor in floors.values():
                floor["bootloaders"] = []
    elif kind == "reservation":
        for package in entry["packages"]:
            floor = floors.setdefault(line_of(package), _new(package))
            floor["open"].append(
                {"entry": entry["number"], "sequence": entry["sequence"], "counters": counters_of(package)}
            )
            floor["given"] = max(floor["given"], entry["sequence"])
    elif kind == "surrender":
        for floor in floors.values():
            floor["open"] = [row for row in floor["open"] if row["entry"] != entry["entry"]]
    elif kind == "withdrawal":
        for package in entry["packages"]:
            floor = floors[line_of(package)]
            floor["withdrawn"] = sorted({*floor["withdrawn"], package["manifest"]})


def stated(floors: Floors, entry: dict[str, Any]) -> list[dict[str, Any]]:
    """`least` of an entry after which the floors are these."""
    return [_stated(floors[line], entry["format"]) for line in sorted(floors)]


def line_of(package: dict[str, Any]) -> tuple[str, str]:
    """Class and variant, which its floor is kept by."""
    return package["class"], package["variant"]


def _new(package: dict[str, Any]) -> dict[str, Any]:
    return {"class": package["class"], "variant": package["variant"], "sequence": 0, "manifest": "", "counters": [],
            "bootloaders": None, "given": 0, "channels": [], "open": [], "layout": None, "withdrawn": []}  # fmt: skip


def counters_of(package: dict[str, Any]) -> list[list[int]]:
    """The highest counter of each component of a package."""
    highest: dict[int, int] = {}
    for each in package["images"]:
        highest[each["component"]] = max(highest.get(each["component"], 0), each["counter"])
    return [[component, highest[component]] for component in sorted(highest)]


def _ordered(version: Any) -> list[int]:
    core, _, stage = version.partition("-")
    name, _, number = stage.partition(".")
    return [*map(int, core.split(".")), ["alpha", "beta", "rc", ""].index(name), int(number or 0)]


def _release(
    floors: dict[tuple[str, str], dict[str, Any]], entry: dict[str, Any], package: dict[str, Any], at: int
) -> None:
    floor = floors.setdefault(line_of(package), _new(package))
    if not floor["manifest"] or entry["sequence"] > floor["sequence"]:
        floor["sequence"], floor["manifest"] = entry["sequence"], package["manifest"]
    floor["given"] = max(floor["given"], entry["sequence"])
    counters = dict(map(tuple, floor["counters"]))
    for component, counter in counters_of(package):
        counters[component] = max(counters.get(component, 0), counter)
    floor["counters"] = [[component, counters[component]] for component in sorted(counters)]
    said: Any = entry.get("bootloader")
    ends = [said, said] if floor["bootloaders"] is None else floor["bootloaders"]
    ends = sorted([*ends, said], key=_ordered) if ends and said else []
    floor["bootloaders"] = [ends[0], ends[-1]] if ends else []
    if entry["format"] < 3:
        return
    if package["layout"] is not None:
        floor["layout"] = [entry["number"], at]
        said = [*package["layout"].get("hardware", ()), *(floor.get("hardware") or ())]
        if said:
            floor["hardware"] = [min(said), max(said)]
    rows = {row["channel"]: row for row in floor["channels"]}
    if entry["channel"] not in rows or rows[entry["channel"]]["sequence"] < entry["sequence"]:
        rows[entry["channel"]] = {
            "channel": entry["channel"], "version": entry["version"], "sequence": entry["sequence"],
            "entry": entry["number"],
        }  # fmt: skip
    floor["channels"] = [rows[name] for name in sorted(rows)]
    floor["open"] = [row for row in floor["open"] if row["entry"] != entry["reserved"]]


def _stated(floor: dict[str, Any], number: int) -> dict[str, Any]:
    members = {**floor, "bootloaders": floor["bootloaders"] or []}
    if number < 3:
        for key_ in ("given", "channels", "open", "layout", "withdrawn", *(["bootloaders"] if number == 1 else [])):
            del members[key_]
    return copy.deepcopy(members)  # the floors go on
