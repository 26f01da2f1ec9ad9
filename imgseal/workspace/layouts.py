"""How devices in the field are laid out, as the release log has it; and the refusal of releases for other devices.

What a device can follow says formats/log/layout_differences.py. Devices with another layout are other devices: they
have a class of their own, or a bootloader that brings the layout and that the release asks for.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from imgseal.errors import Place, UsageError
from imgseal.findings import LaidOut
from imgseal.formats.log.entry import RECOVERY, Entry, Floor, Line, Logged
from imgseal.formats.log.floors import of_class, of_recovery
from imgseal.formats.log.layout import Layout
from imgseal.formats.log.layout_differences import Difference, layout_differences
from imgseal.make.seal import SealedImage
from imgseal.product.model import LayoutRevision, Product
from imgseal.records import NamedTuple
from imgseal.versions import Version
from imgseal.workspace.device_file import bootloader_of
from imgseal.workspace.log_entries import laid_out_as, layout_of
from imgseal.workspace.log_file import LogFile, entry_at

if TYPE_CHECKING:
    from imgseal.flow.release import Job
    from imgseal.workspace.project import Project
    from imgseal.workspace.verified_log import VerifiedLog


class Remembered(NamedTuple):
    """A layout that the log states: the number of its entry, its release, and the class and variant that it is of."""

    entry: int
    line: Line
    layout: Layout
    release: str

    def has(self, value: str, path: str) -> str:
        """Return a value of it as messages have what was expected."""
        return f"{value}, as entry {self.entry} of {path} has it (release {self.release})"


ReadEntry = Callable[[tuple[int, int]], Logged | None]
"""Reads an entry by its number and the offset of its line."""


def remembered(floors: Iterable[Floor], line: Line, new: Layout, read: ReadEntry) -> Remembered | None:
    """Return how devices that take packages of a class and variant are laid out; None where the log does not say.

    Of a variant that the log does not have it is that of whichever variant of the class `new` is like: devices know
    their class alone, and a variant may have got another name.
    """
    class_id, variant = line
    known = [floor for floor in floors if floor.class_id == class_id and floor.layout is not None]
    own = [floor for floor in known if _plain(floor.variant) == _plain(variant)]
    found = [each for floor in own or known for each in _stated(floor, read)]
    found.sort(key=lambda each: (each.layout.revision, each.line == line, each.entry))
    alike = [each for each in found if own or not layout_differences(each.layout, new)]
    fitting = alike or found
    return fitting[-1] if fitting else None


def _stated(floor: Floor, read: ReadEntry) -> Iterator[Remembered]:
    assert floor.layout is not None
    entry = read(floor.layout)
    if isinstance(entry, Entry):
        for package in entry.packages:
            if package.line == floor.line and package.layout is not None:
                yield Remembered(entry.number, floor.line, package.layout, _release(entry))


def _release(entry: Entry) -> str:
    return f"{entry.version} with sequence {entry.sequence}"


def _plain(variant: str) -> str:
    return variant.removesuffix(RECOVERY)


def remembered_of(project: "Project", floors: tuple[Floor, ...] | None) -> Remembered | None:
    """Return how the devices of a project are laid out, from the last line of its log; None where it does not say."""
    path, product = project.log_path, project.product
    if path is None or not floors:
        return None
    line = (product.class_id, product.variant or "")
    return remembered(floors, line, layout_of(product), lambda place: entry_at(path, place[1]))


def fielded_project(
    project: "Project", floors: tuple[Floor, ...] | None, device_file: str | None = None
) -> "tuple[Project, LaidOut | None]":
    """Return a project for the devices that are in the field, laid out as the log says, and where it says that.

    Of a device state it is the layout that the device's bootloader has. It is the project as it is where the log says
    nothing. UsageError where the product file says too little of a device that is laid out so.
    """
    path, product, known = project.log_path, project.product, remembered_of(project, floors)
    if path is None or known is None:
        return project, None
    version = None if device_file is None else bootloader_of(device_file)
    first = known.layout.bootloader
    if version is not None and first is not None and version < first:
        known = _before(path, known.line, version) or known
    old, laid = known.layout, product
    if layout_differences(old, layout_of(product)):
        found = laid_out_as(product, old)
        if found is None:
            raise _too_little(product, known, path)
        laid = found
    laid = laid._replace(layout=LayoutRevision(old.revision, old.bootloader))
    line = product.class_id, product.variant or ""
    return project._replace(product=laid), _laid_out(known, line, floors or (), path)


def _laid_out(known: Remembered, line: Line, floors: Iterable[Floor], path: str) -> LaidOut:
    """Return what is said of how devices are laid out, and of which hardware revisions those of the variant are."""
    hardware = next((floor.hardware for floor in floors if floor.line == line), None)
    return LaidOut(known.entry, f"entry {known.entry} of {path}", hardware)


def _before(path: str, line: Line, version: Version) -> Remembered | None:
    """Return the last layout of the log that a bootloader has; None where each one came with a later one."""
    log = LogFile(path)
    stated = (
        Remembered(entry.number, line, package.layout, _release(entry))
        for entry in log.releases()
        for package in entry.packages
        if package.line == line and package.layout is not None
    )
    having = [each for each in stated if each.layout.bootloader is None or each.layout.bootloader <= version]
    return max(having, key=lambda each: (each.layout.revision, each.entry), default=None)


def _too_little(product: Product, known: Remembered, path: str) -> UsageError:
    first = layout_differences(known.layout, layout_of(product))[0]
    return UsageError(
        "the product file says too little of the devices that are in the field",
        place=product.place(first.key),
        expected=known.has(first.expected, path),
        found=first.found,
        hint="use the product file of that release, or put back what was taken out: imgseal log show lists releases",
    )


def refuse_other_layout(job: "Job", line: Line, log: "VerifiedLog") -> tuple[str, ...]:
    """UsageError for a release that devices in the field could not follow; return notes on those that are left behind.

    That is nobody where the layout is that of the log; with a higher `layout.revision` it is everybody whose bootloader
    is older than the layout, and the release has to ask for that bootloader.
    """
    product, path = job.product, log.path
    new, floor = layout_of(product), of_class(log.tip.least, *line)
    known = remembered(log.tip.least, line, new, lambda place: log.entry(place[0]))
    if known is None:
        refuse_other_class(product, line, log)
        return ()
    left = _devices(known.layout, known.line, floor, log)
    unsaid = _unsaid_bootloader(product, floor, path)
    refuse_differences(known, new, product.place, path, left, unsaid)
    if unsaid:
        raise UsageError(
            "this release does not say which bootloader devices leave the factory with",
            place=product.place("bootloader"),
            expected=unsaid[0].expected,
            found=unsaid[0].found,
            hint=unsaid[0].mend,
        )
    left_out = _laid_out(known, line, log.tip.least, path).left_out(*product.hardware)
    revision, first = product.layout
    if first is None or floor is None:
        return left_out
    raised = revision > known.layout.revision
    if raised and floor.bootloaders and first <= floor.bootloaders[1]:
        raise UsageError(
            "the bootloader that brings the new layout is in the field already, with the old one",
            place=product.place("layout.bootloader"),
            expected=f"above {floor.bootloaders[1]}, the newest that {path} has",
            found=str(first),
            hint="give the bootloader with the new layout a version of its own: requirements tell them apart by it",
        )
    if (not floor.bootloaders or floor.bootloaders[0] < first) and not of_recovery(line[1]):
        _refuse_unasked(job, left)
    words = f"layout.revision {revision} needs bootloader {first}: it is not for {left}. They stay with what they have"
    return (*left_out, words) if raised else left_out


def _unsaid_bootloader(product: Product, floor: Floor | None, path: str) -> tuple[Difference, ...]:
    """Return what there is to be said where the log knows bootloaders, and the product file states none any more."""
    if floor is None or not floor.bootloaders or product.bootloader is not None:
        return ()
    return (
        Difference(
            "bootloader",
            f"[bootloader] with its version: {path} has {_ends(floor)}, and would know it no more",
            "no [bootloader]",
            "state it: releases are judged by the bootloaders that are in the field",
        ),
    )


def refuse_differences(
    known: Remembered,
    new: Layout,
    place: Callable[[str], Place],
    path: str,
    left: str,
    beside: tuple[Difference, ...] = (),
) -> None:
    """UsageError where a layout is another one than the log's, and no higher `layout.revision` says that it is meant.

    `place` is that of a key of the product file; `left` says in words who could not follow; `beside` is what else is
    to be said of the product file then.
    """
    old = known.layout
    found = list(layout_differences(old, new))
    if new.revision < old.revision or (new.revision == old.revision and new.bootloader != old.bootloader):
        key = "bootloader" if new.revision == old.revision else "revision"
        found.insert(0, Difference(f"layout.{key}", str(getattr(old, key)), str(getattr(new, key))))
    elif new.revision > old.revision:
        return
    if not found:
        return
    hint = (
        f"It would strand {left}. New devices that are laid out so have a class of their own (product.class), or "
        f"[layout] revision = {old.revision + 1} with the bootloader that brings it: docs/format/product-file.md"
    )
    message = "devices in the field are laid out otherwise than this release"
    raise _refusal(message, (*found, *beside), known, place, path, hint)


def _refusal(
    message: str, found: Sequence[Difference], known: Remembered, place: Callable[[str], Place], path: str, hint: str
) -> UsageError:
    """Return the refusal of a layout: the first difference in full, and each of the others with its place."""
    first, *rest = found
    also = [f" Also {place(each.key)}: expected {each.expected}; found {each.found}." for each in rest]
    return UsageError(
        message,
        place=place(first.key),
        expected=known.has(first.expected, path),
        found=first.found,
        hint=f"{first.mend}. {hint}{'.' if also else ''}{''.join(also)}",
    )


def refuse_other_class(product: Product, line: Line, log: "VerifiedLog") -> None:
    """UsageError where a product and variant that has releases gets another vendor or class, and nothing says why."""
    classes = {product.class_id, *product.variant_class_ids().values()}
    for floor in log.tip.least:
        row = max(floor.channels, key=lambda row: row.sequence, default=None)
        if floor.class_id in classes or _plain(floor.variant) != _plain(line[1]) or row is None:
            continue
        entry = log.entry(row.entry)
        if not isinstance(entry, Entry) or entry.product != product.name:
            continue
        old = remembered([floor], floor.line, layout_of(product), lambda place: log.entry(place[0]))
        if old is None or product.layout.revision > old.layout.revision:
            continue
        found = [*layout_differences(old.layout, layout_of(product))]
        if entry.vendor != product.vendor:
            found.insert(0, Difference("product.vendor", entry.vendor, product.vendor))
        elif old.layout.class_name == product.class_name or not found or found[0].key != "product.class":
            found.insert(0, Difference("product.class", floor.class_id.hex(), product.class_id.hex()))
        raise _refusal(
            f"this release is for devices of another {found[0].key.partition('.')[2]} than those in the field",
            (*found, *_unsaid_bootloader(product, floor, log.path)),
            old,
            product.place,
            log.path,
            f"It would strand {_devices(old.layout, floor.line, floor, log)}. Where other devices are meant: give them "
            f"a product.name of their own, or [layout] revision = {old.layout.revision + 1} with the bootloader that "
            "they begin with",
        )


def _refuse_unasked(job: "Job", left: str) -> None:
    """UsageError unless some image of the release asks for the bootloader that brings its layout: a set is one."""
    first = job.product.layout.bootloader
    assert first is not None
    components = job.product.components
    asked = [
        need.least
        for file in job.firmware
        for need in (
            file.content.statement.needs if isinstance(file.content, SealedImage) else components[file.component].needs
        )
        if need.component == 0
    ]
    if not asked or max(asked) < first:
        name = job.firmware[0].component
        raise UsageError(
            "this release does not ask for the bootloader that brings its layout",
            place=job.product.place(f"component.{name}.needs"),
            expected=f'bootloader = ">={first}" (layout.bootloader) in one of its components',
            found=f"bootloader >={max(asked)}" if asked else "nothing about the bootloader",
            hint=f"without it {left} would take the release, and write to places that are others there",
        )


def _devices(layout: Layout, line: Line, floor: Floor | None, log: "VerifiedLog") -> str:
    """Say in words which devices are in the field: class, variant, bootloaders, and what they run."""
    if floor is None:
        return "no device"
    variant = f", variant {_plain(line[1])}" if _plain(line[1]) else ""
    row = max(floor.channels, key=lambda row: row.sequence, default=None)
    runs = "" if row is None else f", which run releases up to {row.version} (entry {row.entry} of {log.path})"
    return f"devices of class {layout.class_name or line[0].hex()}{variant} with bootloader {_ends(floor)}{runs}"


def _ends(floor: Floor) -> str:
    return " to ".join(map(str, dict.fromkeys(floor.bootloaders))) or "of any version"
