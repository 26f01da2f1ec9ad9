"""What the devices in the field have: the numbers and bootloaders of the release log, else of the package before."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from imgseal.device_state.device import DeviceState, fresh
from imgseal.device_state.fielded import FIRST, LOG, PREVIOUS, Fielded
from imgseal.workspace.project import Project

if TYPE_CHECKING:
    from imgseal.flow.contents import Contents
    from imgseal.formats.log.entry import Floor
    from imgseal.product.model import Product


def fielded_now(project: Project, before: "Contents | None", *, development: bool) -> Fielded | None:
    """Return what a release is judged by; None where neither a log nor the package `before` says anything."""
    if development:
        return for_the_desk(project)
    known = logged_bootloaders(project, logged_floors(project))
    return needed_by(before) if known is None and before is not None else known


def first_devices(product: "Product", words: str) -> Fielded:
    """Return what devices have that leave the factory with the bootloader of this product file."""
    version = None if product.bootloader is None else product.bootloader.version
    return Fielded(version, version, FIRST, f"product file: {words}")


def for_the_desk(project: Project) -> Fielded:
    """Return what a development judgement goes by: a device on the desk has the bootloader of the product file."""
    return first_devices(project.product, "development is for devices on the desk")


def logged_bootloaders(project: Project, floors: "tuple[Floor, ...] | None") -> Fielded | None:
    """Return which bootloaders devices of this class have, as the log says; None where there is none.

    New ones leave the factory with the product file's.
    """
    product, path = project.product, project.log_path
    if path is None or floors is None:
        return None
    now = () if product.bootloader is None else (product.bootloader.version,)
    mine = floor_of(project, floors)
    if mine is None:
        return first_devices(product, f"{path} has no release, so no device is in the field")
    least = product.layout.bootloader
    left = "" if least is None else f"; older ones have another layout (layout.revision {product.layout.revision})"
    if not mine.bootloaders or not now:
        return Fielded(least, None, LOG, f"{path} has releases that do not say it{left}")
    known = [version for version in (*mine.bootloaders, *now) if least is None or version >= least]
    return Fielded(min(known), max(known), LOG, f"{path}, and the product file for new devices{left}")


def needed_by(contents: "Contents") -> Fielded | None:
    """Return the least bootloader that the images of a package ask for: what runs them has that, or a newer one."""
    needs = [need for image in contents.images.values() for need in image.statement.needs if need.component == 0]
    if not needs:
        return None
    return Fielded(max(need.least for need in needs), None, PREVIOUS, f"{contents.name} needs it")


def logged_floors(project: Project) -> "tuple[Floor, ...] | None":
    """Return the numbers that the last release has left, by the log; None where none is kept.

    UsageError where the stated file is missing, LogError where it does not hold, or does not go on from its pin: what
    is not there would be missing in every answer.
    """
    if project.log_path is None:
        return None
    from imgseal.workspace.verified_log import pinned_log

    return pinned_log(project, project.log_path).tip.least


def floor_of(project: Project, floors: Iterable["Floor"], *, recovery: bool = False) -> "Floor | None":
    """Return the floor of the product's class, or that of its recovery images; None where it has no release."""
    from imgseal.formats.log.entry import RECOVERY
    from imgseal.formats.log.floors import of_class

    variant = (project.product.variant or "") + (RECOVERY if recovery else "")
    return of_class(floors, project.product.class_id, variant)


def logged_device(
    project: Project, floors: "tuple[Floor, ...] | None", *, recovery: bool = False
) -> tuple[DeviceState, str] | None:
    """Return a device with the numbers that the last logged release left, and what to call it; None without a log.

    Where the log has no release for this class, none of its devices is in the field. With `recovery` the numbers are
    those of the recovery images, which are a series of their own: the factory writes them, before the first release.
    """
    if floors is None:
        return None
    logged = logged_state(project, floors, recovery=recovery)
    if logged is None:
        return fresh(project.product)._replace(fielded=logged_bootloaders(project, floors)), "a fresh device"
    of = "the recovery images of " if recovery else ""
    return logged, f"a device with the numbers of {of}{project.log_path} (sequence {logged.sequence})"


def device_after(project: Project, before: "Contents", *, development: bool) -> tuple[DeviceState, str]:
    """Return a device with the numbers of a package that it has taken, and what to call it."""
    components = project.product.components
    state = fresh(project.product)._replace(
        sequence=before.sequence,
        manifest_digest=before.manifest_digest,
        counters={components[i.component].number: i.statement.counter for i in before.images.values()},
        fielded=needed_by(before) if development else fielded_now(project, before, development=False),
    )
    return state, f"a device with the numbers of {before.name} (sequence {before.sequence})"


def logged_state(project: Project, floors: "tuple[Floor, ...]", *, recovery: bool = False) -> DeviceState | None:
    """Return a device with the numbers that the log has for the product's class; None where it has none."""
    floor = floor_of(project, floors, recovery=recovery)
    if floor is None:
        return None
    last = _last_taken(project, floor)
    if last is None:
        return None
    return fresh(project.product)._replace(
        sequence=last.sequence,
        manifest_digest=last.manifest,
        counters=dict(last.counters),
        fielded=logged_bootloaders(project, floors),
        withdrawn=floor.withdrawn,
    )


def _last_taken(project: Project, floor: "Floor") -> "Floor | None":
    """Return the floor as devices of the project's channel have left it; None where none of its releases was for them.

    They have taken what is of their channel, of one whose keys they all trust, and of the time before channels.
    """
    product = project.product
    if product.channel is None or not floor.channels:
        return floor
    own = product.channels[product.channel]
    for_them = {"", *(name for name, each in product.channels.items() if own.takes(each))}
    rows = [row for row in floor.channels if row.channel in for_them]
    last = max(rows, key=lambda row: row.sequence, default=None)
    if last is None or last.sequence == floor.sequence:
        return floor if last is not None else None
    from imgseal.formats.log.entry import Entry
    from imgseal.formats.log.floors import counters_of
    from imgseal.workspace.verified_log import verified_log

    entry = verified_log(str(project.log_path)).entry(last.entry)
    assert isinstance(entry, Entry)  # the floors of a verified log follow from its entries
    packages = [each for each in entry.packages if each.class_id == floor.class_id]
    mine = next((each for each in packages if each.variant == floor.variant), packages[0])
    counters = tuple(sorted({**dict(floor.counters), **dict(counters_of(mine))}.items()))
    return floor._replace(sequence=last.sequence, manifest=mine.manifest, counters=counters)


def without_withdrawn(project: Project, floors: "tuple[Floor, ...] | None", state: DeviceState) -> DeviceState:
    """Return a device that is to take no release which the log has withdrawn; the log's last line says which."""
    floor = floor_of(project, floors or ())
    return state if floor is None else state._replace(withdrawn=floor.withdrawn)
