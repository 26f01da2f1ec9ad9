"""Numbers that only rise: sequence and counters of a release against those before it, and what follows from an entry.

The log keeps floors by class and variant. What is to be released or judged goes by the class alone: it is what devices
compare, and which variant a device was made as it does not know.
RFC 9124 section 4.3.1 REQ.SEC.SEQUENCE: the sequence only rises; devices would refuse what goes down.
"""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from imgseal.errors import Place
from imgseal.formats.log.entry import (
    NEWEST,
    RECOVERY,
    WITHDRAWN,
    AddedSignature,
    AnchorsMade,
    DeliveryMade,
    Entry,
    Floor,
    Line,
    Logged,
    LoggedPackage,
    Open,
    Released,
    Reservation,
    Surrender,
    Withdrawal,
)
from imgseal.formats.log.errors import GoingDownError, LogError, LogFormatError

if TYPE_CHECKING:
    from imgseal.versions import Version

_LAST = 0xFFFF_FFFF
_Pairs = tuple[tuple[int, int], ...]
_Range = tuple[int, int] | None


def of_class(floors: Iterable[Floor], class_id: bytes, variant: str) -> Floor | None:
    """Return the floor of a class, which is over all of its variants; None where it has no release.

    Where several variants have the highest sequence, the manifest is that of `variant`. Open reservations, the highest
    sequence that was given, the layout and the channels are those of all that the class has. Recovery images have
    sequences and versions of their own, and their counters are the class's.
    """
    every = [floor for floor in floors if floor.class_id == class_id]
    own = [floor for floor in every if of_recovery(floor.variant) == of_recovery(variant)]
    mine = [floor for floor in own if floor.manifest]
    if not mine:
        return None
    highest = max(mine, key=lambda floor: (floor.sequence, floor.variant == variant))
    ends = [version for floor in mine for version in floor.bootloaders]
    known = all(floor.bootloaders for floor in mine)
    channels: dict[str, Released] = {}
    for row in sorted((row for floor in mine for row in floor.channels), key=lambda row: row.sequence):
        channels[row.channel] = row
    return highest._replace(
        variant=variant,
        counters=highest_of(floor.counters for floor in every),
        bootloaders=(min(ends), max(ends)) if known else (),
        given=max(given(floor) for floor in own),
        channels=tuple(channels[name] for name in sorted(channels)),
        open=tuple(sorted(row for floor in own for row in floor.open)),
        layout=next((floor.layout for floor in every if floor.variant == variant), None),
        withdrawn=tuple(sorted({digest for floor in every for digest in floor.withdrawn})),
    )


def of_recovery(variant: str) -> bool:
    """Say whether a variant, as the log has it, is that of packages with recovery images alone."""
    return variant.endswith(RECOVERY)


def given(floor: Floor) -> int:
    """Return the highest sequence that was given; floors of older formats know of releases only."""
    return max(floor.sequence, floor.given)


def highest_of(several: Iterable[_Pairs]) -> _Pairs:
    """Return the highest counter of each component."""
    # rising by component, then counter: the highest of each component is the one that stays
    return tuple(dict(sorted(pair for pairs in several for pair in pairs)).items())


def counters_of(package: LoggedPackage) -> _Pairs:
    """Return the highest counter of each component that a package brings."""
    return highest_of([[(image.component, image.counter) for image in package.images]])  # type: ignore[list-item]


def refuse_below(floors: Iterable[Floor], entry: Entry | Reservation) -> None:
    """GoingDownError where a package is below the floor of its class, or uses its sequence again.

    For what is to be added: logs may have older ones that were compared with their own variant only.
    """
    floors = tuple(floors)
    mine = {floor.line: floor for floor in floors}
    for package in entry.packages:
        if _held(mine.get(package.line), entry, package) is not None:
            continue  # the log has kept its number for it
        floor = of_class(floors, package.class_id, package.variant)
        for other in [floor] if floor is not None else []:
            _refuse_below(other, package, entry.sequence)
        for each in floors:
            if each.class_id == package.class_id and of_recovery(each.variant) == of_recovery(package.variant):
                _refuse_given(each, package, entry.sequence)


def raise_to(sequence: int, *, older: bool = False) -> str:
    """Return the hint for a release that has to be above a sequence; the last one there is has none above it."""
    if sequence >= _LAST:
        return (
            f"{_LAST} is the last sequence there is: devices of this class take no later release; "
            "was it meant? A product that goes on needs another class"
        )
    why = "; a return to older code is a new release with a higher one" if older else ""
    return f"release.sequence = {sequence + 1}{why}"


def is_logged(floors: Iterable[Floor], package: LoggedPackage, sequence: int) -> bool:
    """Say whether this very package is the latest of its class and variant: built again, it is not a new release."""
    floor = next((floor for floor in floors if floor.line == package.line), None)
    return floor is not None and floor.sequence == sequence and floor.manifest == package.manifest


def after(floors: tuple[Floor, ...], entry: Logged, at: int) -> tuple[Floor, ...]:
    """Return the floors after an entry whose line begins at an offset of the file.

    GoingDownError where a release or reservation is below the floors, or uses a sequence again; LogFormatError where
    two packages are for one class and variant; LogError where it speaks of a reservation that is not open.
    """
    if isinstance(entry, AddedSignature | AnchorsMade | DeliveryMade):
        return floors
    known = {floor.line: floor for floor in floors}
    if isinstance(entry, Surrender):
        _close(known, entry)
    elif isinstance(entry, Withdrawal):
        for each in entry.packages:
            floor = known.get((each.class_id, each.variant))
            if floor is None or not floor.manifest:
                raise _unknown(entry.number, "packages", "a class and variant that has a release", each.variant)
            digests = tuple(sorted({*floor.withdrawn, each.manifest}))
            if len(digests) > WITHDRAWN:
                raise LogFormatError(
                    "more releases of one class and variant are withdrawn than a log can keep",
                    expected=f"at most {WITHDRAWN}",
                    found=str(len(digests)),
                    hint="raise a counter in a new release: devices that have it take none of the older ones",
                )
            known[floor.line] = floor._replace(withdrawn=digests)
    else:
        for package in _each_once(entry.packages):
            floor = known.get(package.line)
            if isinstance(entry, Reservation):
                known[package.line] = _reserved(floor, package, entry)
            else:
                known[package.line] = _raised(floor, package, entry, at)
        if isinstance(entry, Entry) and entry.format < NEWEST and entry.bootloader is None:
            known = {line: floor._replace(bootloaders=()) for line, floor in known.items()}
    return tuple(floor for _, floor in sorted(known.items()))


def in_newest(floors: tuple[Floor, ...]) -> tuple[Floor, ...]:
    """Return floors as entries of the newest format state them, from those of any format."""
    return tuple(floor._replace(given=given(floor)) for floor in floors)


def _each_once(packages: tuple[LoggedPackage, ...]) -> Iterable[LoggedPackage]:
    seen: set[Line] = set()
    for package in packages:
        if package.line in seen:
            raise LogFormatError(
                "two packages of one release are for one class and variant",
                expected="one package for each",
                found=f"two for {package.class_id.hex()} {package.variant}".rstrip(),
                hint="release them one after the other, with a sequence each",
            )
        seen.add(package.line)
        yield package


def _close(known: dict[Line, Floor], entry: Surrender) -> None:
    """Take a reservation out of all floors that have it open."""
    holding = [floor for floor in known.values() if any(row.entry == entry.entry for row in floor.open)]
    if not holding:
        raise _unknown(entry.number, "entry", "a reservation that is open", str(entry.entry))
    for floor in holding:
        known[floor.line] = floor._replace(open=_without(floor.open, entry.entry))


def _without(rows: tuple[Open, ...], number: int) -> tuple[Open, ...]:
    return tuple(row for row in rows if row.entry != number)


def _unknown(number: int, key: str, expected: str, found: str) -> LogError:
    return LogError(
        f"entry {number} speaks of what the log does not have",
        place=Place(key=f"entry.{key}"),
        expected=expected,
        found=found or "none",
        hint="imgseal log show lists what is logged",
    )


def _held(floor: Floor | None, entry: Entry | Reservation, package: LoggedPackage) -> Open | None:
    """Return the reservation that a release completes; LogError where it is not open, GoingDownError for others."""
    if isinstance(entry, Reservation) or entry.reserved is None:
        return None
    row = next((row for row in (() if floor is None else floor.open) if row.entry == entry.reserved), None)
    if row is None:
        raise _unknown(entry.number, "reserved", "a reservation that is open", str(entry.reserved))
    if (row.sequence, row.counters) != (entry.sequence, counters_of(package)):
        raise GoingDownError(
            "these are not the numbers that were reserved",
            place=Place(key="release.sequence"),
            expected=_numbers(row.sequence, row.counters),
            found=_numbers(entry.sequence, counters_of(package)),
            hint="finish the request with the firmware and the product file that it was made with",
        )
    return row


def _numbers(sequence: int, counters: _Pairs) -> str:
    return f"{sequence}, counters " + ", ".join(f"{component}: {counter}" for component, counter in counters)


def _reserved(floor: Floor | None, package: LoggedPackage, entry: Reservation) -> Floor:
    counters = counters_of(package)
    if floor is None:
        floor = Floor(package.variant, package.class_id, 0, b"", ())
    else:
        _refuse_below(floor, package, entry.sequence)
        _refuse_given(floor, package, entry.sequence)
    row = Open(entry.number, entry.sequence, counters)
    return floor._replace(given=max(given(floor), entry.sequence), open=(*floor.open, row))


def _raised(floor: Floor | None, package: LoggedPackage, entry: Entry, at: int) -> Floor:
    row = _held(floor, entry, package)
    if floor is not None and row is None:
        _refuse_below(floor, package, entry.sequence)
        _refuse_given(floor, package, entry.sequence)
    sequence, new = entry.sequence, entry.format >= NEWEST
    if floor is None:
        floor = Floor(package.variant, package.class_id, sequence, b"", ())
    first = not floor.manifest
    ends: tuple[Version, ...] = ()
    if entry.bootloader is not None and (first or floor.bootloaders):
        known = (*floor.bootloaders, entry.bootloader)
        ends = (min(known), max(known))
    newest = first or sequence > floor.sequence
    made = floor._replace(
        sequence=sequence if newest else floor.sequence,
        manifest=package.manifest if newest else floor.manifest,
        counters=highest_of((floor.counters, counters_of(package))),
        bootloaders=ends,
    )
    if not new:
        return made
    if package.layout is None and floor.layout is None:
        raise LogFormatError(
            f"entry {entry.number} does not say how its devices are laid out",
            place=Place(key="entry.packages.layout"),
            expected="a layout, as no entry before it for this class and variant has one",
            hint="imgseal adds no such entry: the log was made or changed by something else",
        )
    last = next((each for each in floor.channels if each.channel == entry.channel), None)
    channels = floor.channels
    if last is None or last.sequence < sequence:
        mine = Released(entry.channel, entry.version, sequence, entry.number)
        channels = tuple(sorted((*(each for each in channels if each is not last), mine)))
    return made._replace(
        given=max(given(floor), sequence),
        channels=channels,
        open=floor.open if row is None else _without(floor.open, row.entry),
        layout=floor.layout if package.layout is None else (entry.number, at),
        hardware=_widened(floor.hardware, None if package.layout is None else package.layout.hardware),
    )


def _widened(floor: _Range, now: _Range) -> _Range:
    if floor is None or now is None:
        return floor or now
    return min(floor[0], now[0]), max(floor[1], now[1])


def _refuse_given(floor: Floor, package: LoggedPackage, sequence: int) -> None:
    """GoingDownError where a sequence, or a counter below it, is held by a reservation."""
    if sequence <= floor.given:
        holder = next((row for row in floor.open if row.sequence == sequence), None)
        raise GoingDownError(
            "the sequence is given already",
            place=Place(key="release.sequence"),
            expected=f"above {floor.given}, which is reserved",
            found=f"{sequence}, which entry {holder.entry} has reserved" if holder else str(sequence),
            hint=raise_to(floor.given),
        )
    for row in floor.open:
        _refuse_counters(package, dict(row.counters), f"which entry {row.entry} has reserved")


def _refuse_below(floor: Floor, package: LoggedPackage, sequence: int) -> None:
    if floor.manifest and sequence < floor.sequence:
        raise GoingDownError(
            "the sequence goes down",
            place=Place(key="release.sequence"),
            expected=f"above {floor.sequence}, which is logged",
            found=str(sequence),
            hint=raise_to(floor.sequence, older=True),
        )
    if floor.manifest and sequence == floor.sequence:
        raise GoingDownError(
            "the sequence is used again, with another manifest",
            place=Place(key="release.sequence"),
            expected=f"above {floor.sequence}, or the package that is logged with it: manifest {floor.manifest.hex()}",
            found=f"manifest {package.manifest.hex()}" if package.manifest else "a package that is not signed yet",
            hint=raise_to(floor.sequence),
        )
    _refuse_counters(package, dict(floor.counters), "which is logged")


def _refuse_counters(package: LoggedPackage, counters: dict[int, int], whose: str) -> None:
    for image in package.images:
        least = counters.get(image.component, 0)
        if image.counter < least:
            raise GoingDownError(
                "an anti-rollback counter goes down",
                place=Place(key=f"component.{image.name}.counter"),
                expected=f"at least {least}, {whose}",
                found=str(image.counter),
                hint=f"component.{image.name}.counter = {least}, or higher when older code must never run again",
            )
        counters[image.component] = image.counter
