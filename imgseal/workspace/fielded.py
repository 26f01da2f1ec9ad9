"""Which bootloaders the devices in the field have: what the release log says, else the package before this one."""

from typing import TYPE_CHECKING

from imgseal.device_state.fielded import FIRST, LOG, PREVIOUS, PRODUCT, Fielded

if TYPE_CHECKING:
    from imgseal.flow.contents import Contents
    from imgseal.formats.log.entry import Floor
    from imgseal.product.model import Product
    from imgseal.workspace.project import Project


def fielded_now(
    project: "Project", before: "Contents | None", *, development: bool, begins_log: bool = False
) -> Fielded | None:
    """Return what a release is judged by; None where neither a log nor the package `before` says anything.

    `begins_log`: what is judged is what is going to be logged, so that a log that is missing begins with it.
    """
    from imgseal.workspace.release_log import logged_floors

    if development:
        return for_the_desk(project)
    floors = logged_floors(project)
    if floors is None and begins_log and before is None:
        floors = ()
    known = logged_bootloaders(project, floors)
    if known is None and before is not None:
        known = needed_by(before)
    return known or without_log(project)


def first_devices(product: "Product", words: str) -> Fielded:
    """Return what devices have that leave the factory with the bootloader of this product file."""
    version = None if product.bootloader is None else product.bootloader.version
    return Fielded(version, version, FIRST, f"product file: {words}")


def for_the_desk(project: "Project") -> Fielded:
    """Return what a development judgement goes by: a device on the desk has the bootloader of the product file."""
    return first_devices(project.product, "development is for devices on the desk")


def without_log(project: "Project") -> Fielded | None:
    """Return what is left to go by where the stated log is missing: today's product file; None where none is stated."""
    if project.log_path is None:
        return None
    words = f"for new devices; {project.log_path} is missing, so nothing says what is in the field"
    return first_devices(project.product, words)._replace(source=PRODUCT)


def logged_bootloaders(project: "Project", floors: "tuple[Floor, ...] | None") -> Fielded | None:
    """Return which bootloaders devices of this class have, as the log says; None where there is none.

    New ones leave the factory with the product file's.
    """
    from imgseal.workspace.release_log import floor_of

    product, path = project.product, project.log_path
    if path is None or floors is None:
        return None
    now = () if product.bootloader is None else (product.bootloader.version,)
    mine = floor_of(project, floors)
    if mine is None:
        return first_devices(product, f"{path} has no release, so no device is in the field")
    if not mine.bootloaders or not now:
        return Fielded(None, None, LOG, f"{path} has releases that do not say it")
    known = (*mine.bootloaders, *now)
    return Fielded(min(known), max(known), LOG, f"{path}, and the product file for new devices")


def needed_by(contents: "Contents") -> Fielded | None:
    """Return the least bootloader that the images of a package ask for: what runs them has that, or a newer one."""
    needs = [need for image in contents.images.values() for need in image.statement.needs if need.component == 0]
    if not needs:
        return None
    return Fielded(max(need.least for need in needs), None, PREVIOUS, f"{contents.name} needs it")
