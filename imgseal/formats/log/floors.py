"""Numbers that only rise: sequence and counters of a release against those before it.

The log keeps floors by class and variant. What is to be released or judged goes by the class alone: it is what devices
compare, and which variant a device was made as it does not know.
RFC 9124 section 4.3.1 REQ.SEC.SEQUENCE: the sequence only rises; devices would refuse what goes down.
"""

from collections.abc import Iterable

from imgseal.errors import Place
from imgseal.formats.log.entry import Floor, LoggedPackage
from imgseal.formats.log.errors import GoingDownError, LogFormatError
from imgseal.versions import Version

Line = tuple[bytes, str]

_LAST = 0xFFFF_FFFF


def _by_line(floors: Iterable[Floor]) -> dict[Line, Floor]:
    return {(floor.class_id, floor.variant): floor for floor in floors}


def of_class(floors: Iterable[Floor], class_id: bytes, variant: str) -> Floor | None:
    """Return the floor of a class, which is over all of its variants; None where it has no release.

    Where several variants have the highest sequence, the manifest is that of `variant`.
    """
    mine = [floor for floor in floors if floor.class_id == class_id]
    if not mine:
        return None
    highest = max(mine, key=lambda floor: (floor.sequence, floor.variant == variant))
    # rising by component, then counter: the highest of each component is the one that stays
    counters = dict(sorted(pair for floor in mine for pair in floor.counters))
    ends = [version for floor in mine for version in floor.bootloaders]
    known = all(floor.bootloaders for floor in mine)
    bootloaders = (min(ends), max(ends)) if known else ()
    return highest._replace(variant=variant, counters=tuple(counters.items()), bootloaders=bootloaders)


def refuse_below(floors: Iterable[Floor], packages: Iterable[LoggedPackage], sequence: int) -> None:
    """GoingDownError where a package is below the floor of its class, or uses its sequence again.

    For releases that are to be made: logs may have older ones that were compared with their own variant only.
    """
    floors = tuple(floors)
    for package in packages:
        _refuse_below(of_class(floors, package.class_id, package.variant), package, sequence)


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
    floor = _by_line(floors).get((package.class_id, package.variant))
    return floor is not None and floor.sequence == sequence and floor.manifest == package.manifest


def raised(
    floors: tuple[Floor, ...], packages: Iterable[LoggedPackage], sequence: int, bootloader: Version | None
) -> tuple[Floor, ...]:
    """Return the floors after these packages; GoingDownError where one is below the floors, or uses a sequence again.

    LogFormatError where two packages are for one class and variant. A release that does not say which `bootloader`
    its devices left the factory with leaves it open for all of them.
    """
    known = _by_line(floors)
    seen: set[Line] = set()
    for package in packages:
        line = (package.class_id, package.variant)
        if line in seen:
            raise LogFormatError(
                "two packages of one release are for one class and variant",
                expected="one package for each",
                found=f"two for {package.class_id.hex()} {package.variant}".rstrip(),
                hint="release them one after the other, with a sequence each",
            )
        seen.add(line)
        known[line] = _raised(known.get(line), package, sequence, bootloader)
    if bootloader is None:
        known = {line: floor._replace(bootloaders=()) for line, floor in known.items()}
    return tuple(floor for _, floor in sorted(known.items()))


def _raised(floor: Floor | None, package: LoggedPackage, sequence: int, bootloader: Version | None) -> Floor:
    _refuse_below(floor, package, sequence)
    counters = {} if floor is None else dict(floor.counters)
    counters.update((image.component, image.counter) for image in package.images)
    ends: tuple[Version, ...] = ()
    if bootloader is not None and (floor is None or floor.bootloaders):
        known = (bootloader,) if floor is None else (*floor.bootloaders, bootloader)
        ends = (min(known), max(known))
    return Floor(package.variant, package.class_id, sequence, package.manifest, tuple(sorted(counters.items())), ends)


def _refuse_below(floor: Floor | None, package: LoggedPackage, sequence: int) -> None:
    counters = {} if floor is None else dict(floor.counters)
    if floor is not None and sequence < floor.sequence:
        raise GoingDownError(
            "the sequence goes down",
            place=Place(key="release.sequence"),
            expected=f"above {floor.sequence}, which is logged",
            found=str(sequence),
            hint=raise_to(floor.sequence, older=True),
        )
    if floor is not None and sequence == floor.sequence:
        raise GoingDownError(
            "the sequence is used again, with another manifest",
            place=Place(key="release.sequence"),
            expected=f"above {floor.sequence}, or the package that is logged with it: manifest {floor.manifest.hex()}",
            found=f"manifest {package.manifest.hex()}",
            hint=raise_to(floor.sequence),
        )
    for image in package.images:
        least = counters.get(image.component, 0)
        if image.counter < least:
            raise GoingDownError(
                "an anti-rollback counter goes down",
                place=Place(key=f"component.{image.name}.counter"),
                expected=f"at least {least}, which is logged",
                found=str(image.counter),
                hint=f"component.{image.name}.counter = {least}, or higher when older code must never run again",
            )
        counters[image.component] = image.counter
