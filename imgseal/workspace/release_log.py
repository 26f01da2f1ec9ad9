"""Adds releases to the release log, and makes the device that has the numbers of the last one.

A release is added between staging the outputs and moving them into place.

The log comes first: a release that is logged and has no files can be built again or passed over, but files of a
release that is not logged could not be accounted for (docs/decisions/008-release-log.md).
"""

from collections.abc import Callable, Iterable, Sequence

from imgseal import __version__
from imgseal.errors import ImgsealError, Place, UsageError, in_file
from imgseal.flow.release import Job
from imgseal.formats.log.entry import Entry, LoggedPackage, Reservation
from imgseal.formats.log.errors import GoingDownError
from imgseal.formats.log.floors import is_logged
from imgseal.formats.log.lines import EMPTY, Tip, added, is_whole, resume
from imgseal.formats.log.proof import Head
from imgseal.keys.signer import Signer
from imgseal.limits import LOG_BYTES, LOG_LINE_BYTES
from imgseal.make.pack import Package
from imgseal.records import NamedTuple
from imgseal.workspace.append import append_line
from imgseal.workspace.append_entry import on_the_end
from imgseal.workspace.fielded import floor_of, logged_floors
from imgseal.workspace.files import write_all
from imgseal.workspace.layouts import refuse_differences, remembered
from imgseal.workspace.log_entries import anchors_of, logged_package, variant_of
from imgseal.workspace.log_file import entry_at
from imgseal.workspace.numbering import Numbered, NumberTakenError, statements
from imgseal.workspace.project import Project
from imgseal.workspace.release_numbers import refuse_leaping
from imgseal.workspace.staging import Output


class Made(NamedTuple):
    """A package that was made: for which product file, who has signed it, and what the log says of it."""

    project: Project
    package: Package
    signers: tuple[Signer, ...]
    numbered: Numbered


class LogPlan(NamedTuple):
    """What is to be added, the log's path, where keys of the product file stand, and whether the log gives its number.

    `draft` is None where all of it is logged already, as the entries `known`; `notes` are said when it is added;
    `origin` is the entry whose sealed images are signed again.
    """

    path: str
    place: Callable[[str], Place]
    draft: Entry | Reservation | None
    known: tuple[int, ...] = ()
    following: bool = False
    notes: tuple[str, ...] = ()
    origin: int | None = None


def plan_entry(made: Sequence[Made], built: int, revision: bytes) -> LogPlan | None:
    """Return the entry for the packages of one release, one for each variant; None where no log is kept."""
    project = made[0].project
    product = project.product
    if project.log_path is None:
        return None
    known = tuple(dict.fromkeys(each.numbered.entry for each in made if each.numbered.entry is not None))
    for each in made:
        if each.numbered.entry is not None and each.numbered.manifest != each.package.digest.value:
            raise _differs(each)
    made = tuple(each for each in made if each.numbered.entry is None)
    if not made:
        return LogPlan(project.log_path, product.place, None, known)
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
        channel=product.channel or "",
        origin=numbered.origin,
        again=numbered.again,
        unrecorded=numbered.unrecorded,
        reserved=numbered.reserved,
        witness=numbered.witness,
    )
    following = product.release.next and numbered.reserved is None
    return LogPlan(project.log_path, product.place, draft, known, following, _notes(made), numbered.origin)


def _notes(made: Iterable[Made]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(note for each in made for note in each.numbered.notes))


def _differs(made: Made) -> UsageError:
    return UsageError(
        f"this is the release of entry {made.numbered.entry} once more, and its package is another one",
        place=Place(file=made.project.log_path),
        expected=f"manifest {made.numbered.manifest.hex()}",
        found=f"manifest {made.package.digest.value.hex()}",
        hint="texts, the bill of materials or a signature that is never the same twice have changed it: "
        "take the package that was released, or release it again: --again WHY",
    )


def write_logged(outputs: list[Output], inputs: Iterable[str | None], plan: LogPlan | None) -> list[str]:
    """Write all outputs, and add the release to the log before they are moved into place; return notes.

    UsageError where the sequence or a counter is below the log's, or the sequence is used again by another package;
    then nothing is written. A package that is logged already is not logged twice.
    """
    if plan is None:
        write_all(outputs, inputs)
        return []
    notes: list[str] = []
    number: list[int] = []
    try:
        write_all(outputs, inputs, before_moving=lambda: notes.extend(_add(plan, number)))
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
    notes = [*plan.notes, *(f"this release is entry {entry} of {plan.path} already" for entry in plan.known)]
    if plan.draft is None:
        notes[-1] += "; nothing was added"
        with in_file(plan.path):  # a writer that died may have left the last line without its line feed
            found = append_line(plan.path, LOG_LINE_BYTES, LOG_BYTES, lambda _last, _at: None, is_whole)
        return [*notes, *on_the_end(plan.path, found)]
    draft = plan.draft

    tips = [EMPTY]

    def next_line(last: bytes | None, at: int) -> bytes | None:
        tip = EMPTY if last is None else resume(last, at)
        tips.append(tip)
        new = tuple(each for each in draft.packages if not is_logged(tip.least, each, draft.sequence))
        if not new:
            notes.append(f"this release is in {plan.path} already; nothing was added")
            return None
        laid = new if isinstance(draft, Reservation) else tuple(_laid_out(each, tip, plan) for each in new)
        line, step = added(tip, draft._replace(packages=laid))
        number.append(step.entry.number)
        what = "reserved" if isinstance(draft, Reservation) else "logged"
        notes.append(f"{what} as entry {step.entry.number} of {plan.path}; head {Head(step.tip.size, step.tip.root)}")
        return line

    try:
        with in_file(plan.path):
            found = append_line(plan.path, LOG_LINE_BYTES, LOG_BYTES, next_line, is_whole)
    except GoingDownError as error:
        refused = _going_down(error, plan)
        # only where the log has grown: the next try would get the same number again
        grown = tips[-1].size > (draft.witness or 0)
        if plan.following and grown and (error.place.key or "") == "release.sequence":
            raise NumberTakenError(refused.message, place=refused.place, hint=refused.hint) from None
        raise refused from None
    except ImgsealError:
        number.clear()
        raise
    return [*notes, *on_the_end(plan.path, found)]


def _laid_out(package: LoggedPackage, tip: Tip, plan: LogPlan) -> LoggedPackage:
    """Leave out the layout of a package where the log has the same for its class and variant.

    UsageError where a release that came first has another one: this one was held against the log before that.
    """
    layout = package.layout
    assert layout is not None
    known = remembered(tip.least, package.line, layout, lambda place: entry_at(plan.path, place[1]))
    if known is None:
        return package
    refuse_differences(
        known,
        layout,
        plan.place,
        plan.path,
        "devices of a release that came first",
    )
    return package._replace(layout=None) if (known.line, known.layout) == (package.line, layout) else package


def plan_reservation(asked: Sequence[Made], jobs: Sequence[Job]) -> LogPlan:
    """Return the entry that holds the number of a signing request, or none where an earlier request holds it.

    UsageError where the release is logged already: there is nothing to sign.
    """
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
        return LogPlan(path, product.place, None, known)
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
        channel=product.channel or "",
        again=numbered.again,
        unrecorded=numbered.unrecorded,
        witness=numbered.witness,
    )
    return LogPlan(path, product.place, draft, known, product.release.next, _notes(asked), numbered.origin)


def _going_down(error: GoingDownError, plan: LogPlan) -> UsageError:
    key = error.place.key or ""
    place, hint = plan.place(key), error.hint
    if plan.origin is not None and key != "release.sequence":
        place = Place(file=plan.path, key=f"entry {plan.origin}")
        hint = f"a promotion changes nothing that is sealed: build a release with {hint}; and promote that"
    return UsageError(
        f"{error.message} (release log {plan.path})",
        place=place,
        expected=error.expected,
        found=error.found,
        hint=hint,
    )
