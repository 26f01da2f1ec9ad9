"""Adds releases to the release log, and makes the device that has the numbers of the last one.

A release is added between staging the outputs and moving them into place.

The log comes first: a release that is logged and has no files can be built again or passed over, but files of a
release that is not logged could not be accounted for (docs/decisions/008-release-log.md).
"""

import os
from typing import TYPE_CHECKING

from imgseal import __version__
from imgseal.errors import ImgsealError, Place, UsageError, in_file
from imgseal.limits import LOG_BYTES, LOG_LINE_BYTES
from imgseal.records import NamedTuple
from imgseal.workspace.append import append_line, last_line
from imgseal.workspace.fielded import logged_bootloaders, without_log
from imgseal.workspace.files import write_all
from imgseal.workspace.release_numbers import refuse_leaping
from imgseal.workspace.staging import Output

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from imgseal.device_state.device import DeviceState
    from imgseal.flow.release import Job
    from imgseal.formats.log.entry import Entry, Floor, Logged, LoggedPackage, Reservation
    from imgseal.formats.log.errors import GoingDownError
    from imgseal.formats.log.lines import Step, Tip
    from imgseal.product.model import LastNumbers
    from imgseal.workspace.append import Appended
    from imgseal.workspace.project import Project
    from imgseal.workspace.release_job import Made


class NumberTakenError(UsageError):
    """Another release has taken the number meanwhile that the log had as the next one."""


class LogPlan(NamedTuple):
    """What is to be added, the log's path, the product file, for messages, and whether the log gives its number.

    `draft` is None where all of it is logged already, as the entries `known`.
    """

    path: str
    product_file: str
    draft: "Entry | Reservation | None"
    known: tuple[int, ...] = ()
    following: bool = False


def plan_entry(made: "Iterable[Made]", built: int, revision: bytes) -> LogPlan | None:
    """Return the entry for the packages of one release, one for each variant; None where no log is kept."""
    made = tuple(made)
    project = made[0].project
    product = project.product
    if project.log_path is None:
        return None
    from imgseal.formats.log.entry import Entry
    from imgseal.workspace.log_entries import anchors_of, logged_package

    known = tuple(dict.fromkeys(each.numbered.entry for each in made if each.numbered.entry is not None))
    for each in made:
        if each.numbered.entry is not None and each.numbered.manifest != each.package.digest.value:
            raise _differs(each)
    made = tuple(each for each in made if each.numbered.entry is None)
    if not made:
        return LogPlan(project.log_path, project.path, None, known)
    for each in made:
        mine = each.project
        floor = floor_of(mine, logged_floors(mine) or ())
        if floor is not None:
            names = {component.number: name for name, component in mine.product.components.items()}
            counters = {names[number]: value for number, value in floor.counters if number in names}
            refuse_leaping(each.package.images, counters, mine)
    numbered = made[0].numbered
    product = made[0].project.product
    draft = Entry(
        0,
        product.vendor,
        product.name,
        product.release.version,
        product.release.sequence,
        built,
        revision,
        __version__,
        tuple(logged_package(each.product, package, signers) for each, package, signers, _ in made),
        bootloader=None if product.bootloader is None else product.bootloader.version,
        anchors=anchors_of(project),
        again=numbered.again,
        unrecorded=numbered.unrecorded,
        reserved=numbered.reserved,
        witness=numbered.witness,
    )
    return LogPlan(project.log_path, project.path, draft, known, product.release.next and numbered.reserved is None)


def _differs(made: "Made") -> UsageError:
    return UsageError(
        f"this is the release of entry {made.numbered.entry} once more, and its package is another one",
        place=Place(file=made.project.log_path),
        expected=f"manifest {made.numbered.manifest.hex()}",
        found=f"manifest {made.package.digest.value.hex()}",
        hint="texts, the bill of materials or a signature that is never the same twice have changed it: "
        "take the package that was released, or release it again: --again WHY",
    )


def write_logged(outputs: list[Output], plan: LogPlan | None) -> list[str]:
    """Write all outputs, and add the release to the log before they are moved into place; return notes.

    UsageError where the sequence or a counter is below the log's, or the sequence is used again by another package;
    then nothing is written. A package that is logged already is not logged twice.
    """
    if plan is None:
        write_all(outputs)
        return []
    notes: list[str] = []
    number: list[int] = []
    try:
        write_all(outputs, before_moving=lambda: notes.extend(_add(plan, number)))
    except ImgsealError as error:
        if number:
            assert plan.draft is not None
            error.hint = (
                f"the release is logged, as entry {number[0]} of {plan.path}; build it again with "
                f"SOURCE_DATE_EPOCH={plan.draft.built}, or a new one with a higher sequence"
            )
        raise
    return notes


def _add(plan: LogPlan, number: list[int]) -> list[str]:
    from imgseal.formats.log.entry import Reservation
    from imgseal.formats.log.errors import GoingDownError
    from imgseal.formats.log.floors import is_logged
    from imgseal.formats.log.lines import EMPTY, added, is_whole, resume
    from imgseal.formats.log.proof import Head

    notes = [f"this release is entry {entry} of {plan.path} already" for entry in plan.known]
    if plan.draft is None:
        notes[-1] += "; nothing was added"
        with in_file(plan.path):  # a writer that died may have left the last line without its line feed
            found = append_line(plan.path, LOG_LINE_BYTES, LOG_BYTES, lambda _last, _at: None, is_whole)
        return [*notes, *_on_the_end(plan.path, found)]
    draft = plan.draft

    def next_line(last: bytes | None, at: int) -> bytes | None:
        tip = EMPTY if last is None else resume(last, at)
        new = tuple(each for each in draft.packages if not is_logged(tip.least, each, draft.sequence))
        if not new:
            notes.append(f"this release is in {plan.path} already; nothing was added")
            return None
        laid = new if isinstance(draft, Reservation) else tuple(_laid_out(each, tip, plan.path) for each in new)
        line, step = added(tip, draft._replace(packages=laid))
        number.append(step.entry.number)
        what = "reserved" if isinstance(draft, Reservation) else "logged"
        notes.append(f"{what} as entry {step.entry.number} of {plan.path}; head {Head(step.tip.size, step.tip.root)}")
        return line

    try:
        with in_file(plan.path):
            found = append_line(plan.path, LOG_LINE_BYTES, LOG_BYTES, next_line, is_whole)
    except GoingDownError as error:
        refused = _going_down(error, plan.path, plan.product_file)
        if plan.following and (error.place.key or "") == "release.sequence":
            raise NumberTakenError(refused.message, place=refused.place, hint=refused.hint) from None
        raise refused from None
    except ImgsealError:
        number.clear()
        raise
    return [*notes, *_on_the_end(plan.path, found)]


def append_entry(path: str, draft: "Logged") -> "tuple[Step, list[str]]":
    """Add an entry that is no release; return it as it stands, and notes on the end of the file that was found."""
    from imgseal.formats.log.lines import EMPTY, added, is_whole, resume

    steps: list[Step] = []

    def next_line(last: bytes | None, at: int) -> bytes:
        line, step = added(EMPTY if last is None else resume(last, at), draft)
        steps.append(step)
        return line

    with in_file(path):
        found = append_line(path, LOG_LINE_BYTES, LOG_BYTES, next_line, is_whole)
    return steps[-1], _on_the_end(path, found)


def write_with_entry(project: "Project", outputs: list[Output], draft: "Logged | None") -> list[str]:
    """Write files, and add an entry before they are moved into place; return notes. None adds nothing."""
    notes: list[str] = []

    def add() -> None:
        if draft is not None:
            step, found = append_entry(str(project.log_path), draft)
            notes.extend([*found, f"logged as entry {step.entry.number} of {project.log_path}"])

    write_all(outputs, before_moving=add)
    return notes


def _on_the_end(path: str, found: "Appended") -> list[str]:
    """Say what an earlier writer has left at the end of a log."""
    notes = []
    if found.finished:
        notes.append(f"{path}: the last line was complete but for its line feed, which was added")
    if found.dropped:
        notes.append(f"{path}: {found.dropped} bytes of a line that was cut while it was being written were dropped")
    return notes


def _laid_out(package: "LoggedPackage", tip: "Tip", path: str) -> "LoggedPackage":
    """Leave out the layout of a package where the log has the same for its class and variant."""
    floor = next((floor for floor in tip.least if floor.line == package.line), None)
    if floor is None or floor.layout is None:
        return package
    from imgseal.formats.log.entry import Entry
    from imgseal.workspace.log_file import entry_at

    before = entry_at(path, floor.layout[1])
    packages = before.packages if isinstance(before, Entry) else ()
    same = any((each.line, each.layout) == (package.line, package.layout) for each in packages)
    return package._replace(layout=None) if same else package


def last_numbers(path: str) -> "dict[bytes, LastNumbers]":
    """Return what the last line of a log has for each class: the highest sequence that was given, and counters."""
    from imgseal.formats.log.floors import given, highest_of, of_recovery
    from imgseal.product.model import LastNumbers

    floors = _floors_at(path) or ()
    out = {}
    for class_id in {floor.class_id for floor in floors}:
        mine = [floor for floor in floors if floor.class_id == class_id]
        counters = highest_of(
            pairs for floor in mine for pairs in (floor.counters, *(row.counters for row in floor.open))
        )
        sequence = max((given(floor) for floor in mine if not of_recovery(floor.variant)), default=0)
        out[class_id] = LastNumbers(sequence, dict(counters))
    return out


def logged_floors(project: "Project") -> "tuple[Floor, ...] | None":
    """Return the numbers that the last release has left, from the last line of the log alone.

    None where no log is kept, and where the stated file is missing: that says nothing of releases and devices.
    """
    return None if project.log_path is None else _floors_at(project.log_path)


def _floors_at(path: str) -> "tuple[Floor, ...] | None":
    if not os.path.lexists(path):
        return None
    from imgseal.formats.log.lines import is_whole, resume

    last, at = last_line(path, "release log", LOG_LINE_BYTES, LOG_BYTES, is_whole)
    with in_file(path):
        return () if last is None else resume(last, at).least


def floor_of(project: "Project", floors: "Iterable[Floor]") -> "Floor | None":
    """Return the floor of the product's class; None where it has no release."""
    from imgseal.formats.log.floors import of_class

    return of_class(floors, project.product.class_id, project.product.variant or "")


def plan_reservation(asked: "Sequence[Made]", jobs: "Sequence[Job]") -> LogPlan:
    """Return the entry that holds the number of a signing request, or none where an earlier request holds it.

    UsageError where the release is logged already: there is nothing to sign.
    """
    from imgseal.formats.log.entry import LoggedPackage, Reservation
    from imgseal.workspace.log_entries import variant_of
    from imgseal.workspace.numbering import statements

    project = asked[0].project
    product, path, numbered = project.product, str(project.log_path), asked[0].numbered
    for each in asked:
        if each.numbered.entry is not None:
            raise UsageError(
                f"this release is entry {each.numbered.entry} already: there is nothing to sign",
                place=Place(file=path),
                hint="without --sign-later its files are made again, where the keys are; --again WHY for a new one",
            )
    known = tuple(dict.fromkeys(each.numbered.reserved for each in asked if each.numbered.reserved is not None))
    packages = tuple(
        LoggedPackage(variant_of(job.product, (i.name for i in images)), job.product.class_id, b"", (), images)
        for each, job, images in zip(asked, jobs, map(statements, jobs), strict=True)
        if each.numbered.reserved is None
    )
    if not packages:
        return LogPlan(path, project.path, None, known)
    draft = Reservation(
        0,
        product.vendor,
        product.name,
        product.release.version,
        product.release.sequence,
        jobs[0].options.build_time,
        jobs[0].options.source_revision,
        __version__,
        packages,
        again=numbered.again,
        unrecorded=numbered.unrecorded,
        witness=numbered.witness,
    )
    return LogPlan(path, project.path, draft, known, product.release.next)


def _going_down(error: "GoingDownError", log: str, product_file: str) -> UsageError:
    return UsageError(
        f"{error.message} (release log {log})",
        place=error.place._replace(file=product_file),
        expected=error.expected,
        found=error.found,
        hint=error.hint,
    )


def logged_device(project: "Project") -> "tuple[DeviceState, str] | None":
    """Return a device with the numbers that the last logged release left, and what to call it; None without a log.

    Where the log has no release for this class, none of its devices is in the field. Where the log is missing, nobody
    knows: the device is a fresh one, and is called so with the reason.
    """
    if project.log_path is None:
        return None
    from imgseal.device_state.device import fresh

    floors = logged_floors(project)
    if floors is None:
        state = fresh(project.product)._replace(fielded=without_log(project))
        return state, f"a fresh device ({project.log_path} is missing)"
    logged = logged_state(project, floors)
    if logged is None:
        return fresh(project.product)._replace(fielded=logged_bootloaders(project, floors)), "a fresh device"
    return logged, f"a device with the numbers of {project.log_path} (sequence {logged.sequence})"


def logged_state(project: "Project", floors: "tuple[Floor, ...]") -> "DeviceState | None":
    """Return a device with the numbers that the log has for the product's class; None where it has none."""
    from imgseal.device_state.device import fresh

    floor = floor_of(project, floors)
    if floor is None:
        return None
    return fresh(project.product)._replace(
        sequence=floor.sequence,
        manifest_digest=floor.manifest,
        counters=dict(floor.counters),
        fielded=logged_bootloaders(project, floors),
        withdrawn=floor.withdrawn,
    )


def without_withdrawn(project: "Project", state: "DeviceState") -> "DeviceState":
    """Return a device that is to take no release which the log has withdrawn; the log's last line says which."""
    floor = floor_of(project, logged_floors(project) or ())
    return state if floor is None else state._replace(withdrawn=floor.withdrawn)
