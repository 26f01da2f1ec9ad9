"""Which bootloaders the devices in the field have: what the release log says, else the package before this one."""

from typing import TYPE_CHECKING

from imgseal.state.fielded import FIRST, LOG, PREVIOUS, Fielded

if TYPE_CHECKING:
    from collections.abc import Iterable

    from imgseal.cli.project import Project
    from imgseal.compare.contents import Contents
    from imgseal.ledger.entry import Floor
    from imgseal.memory.view import ByteView

__all__ = ["fielded_now", "for_the_desk", "logged_bootloaders", "needed_by"]


def fielded_now(project: "Project", before: "ByteView | None", *, development: bool) -> Fielded | None:
    """Return what a release is judged by; None where neither a log nor the package `before` says anything."""
    from imgseal.cli.release_log import logged_floors

    if development:
        return for_the_desk(project)
    known = logged_bootloaders(project, logged_floors(project))
    if known is not None or before is None:
        return known
    from imgseal.compare.contents import read_contents

    return needed_by(read_contents(before.read(0, before.size), "the previous package", project.product))


def for_the_desk(project: "Project") -> Fielded:
    """Return what a development judgement goes by: a device on the desk has the bootloader of the product file."""
    of = project.product.bootloader
    version = None if of is None else of.version
    return Fielded(version, version, FIRST, "product file: development is for devices on the desk")


def logged_bootloaders(project: "Project", floors: "Iterable[Floor]") -> Fielded | None:
    """Return which bootloaders devices of this class and variant have, as the log says; None where none is kept.

    New ones leave the factory with the product file's.
    """
    from imgseal.cli.release_log import is_for

    product = project.product
    if product.ledger is None:
        return None
    path = project.resolve(product.ledger)
    now = () if product.bootloader is None else (product.bootloader.version,)
    mine = next((floor for floor in floors if is_for(floor, product)), None)
    if mine is None:
        version = now[0] if now else None
        return Fielded(version, version, FIRST, f"product file: {path} has no release, so no device is in the field")
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
