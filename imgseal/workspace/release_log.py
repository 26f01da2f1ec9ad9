"""Adds releases to the release log, and makes the device that has the numbers of the last one.

A release is added between staging the outputs and moving them into place.

The log comes first: a release that is logged and has no files can be built again or passed over, but files of a
release that is not logged could not be accounted for (docs/decisions/008-release-log.md).
"""

import hashlib
from collections.abc import Iterable, Sequence

from imgseal import __version__
from imgseal.errors import ImgsealError, InputError, Place, SigningKeyError, UsageError, in_file
from imgseal.formats.log.entry import Entry, LoggedImage, LoggedPackage
from imgseal.formats.log.errors import GoingDownError
from imgseal.formats.log.floors import is_logged, refuse_below
from imgseal.formats.log.lines import EMPTY, added, is_whole, resume
from imgseal.formats.log.proof import Head
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.keys.signer import Signer
from imgseal.limits import KEY_FILE_BYTES, LOG_BYTES, LOG_LINE_BYTES
from imgseal.make.pack import Package
from imgseal.make.seal import ordered_signers
from imgseal.records import NamedTuple
from imgseal.workspace.append import append_line
from imgseal.workspace.fielded import floor_of, logged_floors
from imgseal.workspace.files import read_bounded, write_all
from imgseal.workspace.key_files import public_key
from imgseal.workspace.project import Project
from imgseal.workspace.release_numbers import refuse_leaping
from imgseal.workspace.staging import Output

Made = tuple[Project, Package, tuple[Signer, ...]]
"""A package that was made: for which product file, and who has signed it."""


class LogPlan(NamedTuple):
    """The entry that is to be added, the log's path, and the product file, for messages."""

    path: str
    product_file: str
    draft: Entry


def refuse_development_keys(project: Project, signers: Iterable[Signer]) -> None:
    """SigningKeyError when a key that is named for development is about to sign a release.

    The judge refuses images and packages by development keys; this finds the key that is named for both.
    """
    product = project.product
    named = product.signing.get("development")
    references = () if named is None else (*named.images, *named.packages)
    trusted = (*product.trust.development_images, *product.trust.development_packages)
    halves = [reference.removesuffix(".pem") + ".pub.pem" for reference in references]
    public = {path: _key_id(project.resolve(path)) for path in (*(entry.key for entry in trusted), *halves)}
    for signer in signers:
        same = [path for path, key_id in public.items() if key_id == signer.public.key_id]
        same += [path for path in references if _same_file(signer.name, project.resolve(path))]
        if same:
            raise SigningKeyError(
                "a development key cannot make a release",
                place=Place(file=signer.name),
                expected="a key that is for releases only",
                found=f"the key of {project.resolve(same[0])}, which the product file names for development",
                hint="make one for releases: imgseal key new FILE, and name it in [signing.release] and [trust]",
            )


def _same_file(one: str, other: str) -> bool:
    try:
        return read_bounded(one, "key", KEY_FILE_BYTES) == read_bounded(other, "key", KEY_FILE_BYTES)
    except InputError:
        return False


def _key_id(path: str) -> bytes | None:
    """Return the identifier of a public key file; None where there is none to read."""
    try:
        return public_key(path).key_id
    except (InputError, SigningKeyError):
        return None


def plan_entry(made: Sequence[Made], built: int, revision: bytes) -> LogPlan | None:
    """Return the entry for the packages of one release, one for each variant; None where no log is kept."""
    project = made[0][0]
    product = project.product
    if project.log_path is None:
        return None

    for each, package, _ in made:
        floor = floor_of(each, logged_floors(each) or ())
        if floor is not None:
            names = {component.number: name for name, component in each.product.components.items()}
            known = {names[number]: value for number, value in floor.counters if number in names}
            refuse_leaping(package.images, known, each)
    draft = Entry(
        0,
        product.vendor,
        product.name,
        product.release.version,
        product.release.sequence,
        built,
        revision,
        __version__,
        tuple(_logged(*each) for each in made),
        bootloader=None if product.bootloader is None else product.bootloader.version,
    )
    return LogPlan(project.log_path, project.path, draft)


def _logged(project: Project, package: Package, signers: tuple[Signer, ...]) -> LoggedPackage:
    product = project.product
    images = tuple(
        LoggedImage(
            image.placed.component.number,
            image.placed.component.name,
            image.placed.slot.name,
            image.statement.version,
            image.statement.counter,
            hashlib.sha256(image.header_block[:STATEMENT_BYTES]).digest(),
            tuple(slot.key_id for slot in image.statement.signatures),
        )
        for image in package.images
    )
    keys = tuple(signer.public.key_id for signer in ordered_signers(signers, product, development=False))
    return LoggedPackage(product.variant or "", product.class_id, package.digest.value, keys, images)


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
            error.hint = (
                f"the release is logged, as entry {number[0]} of {plan.path}; build it again with "
                f"SOURCE_DATE_EPOCH={plan.draft.built}, or a new one with a higher sequence"
            )
        raise
    return notes


def _add(plan: LogPlan, number: list[int]) -> list[str]:
    notes: list[str] = []

    def next_line(last: bytes | None, at: int) -> bytes | None:
        tip = EMPTY if last is None else resume(last, at)
        sequence = plan.draft.sequence
        new = tuple(each for each in plan.draft.packages if not is_logged(tip.least, each, sequence))
        if not new:
            notes.append(f"this release is in {plan.path} already; nothing was added")
            return None
        line, step = added(tip, plan.draft._replace(packages=new))
        number.append(step.entry.number)
        notes.append(f"logged as entry {step.entry.number} of {plan.path}; head {Head(step.tip.size, step.tip.root)}")
        return line

    try:
        with in_file(plan.path):
            found = append_line(plan.path, LOG_LINE_BYTES, LOG_BYTES, next_line, is_whole)
    except GoingDownError as error:
        raise _going_down(error, plan.path, plan.product_file) from None
    except ImgsealError:
        number.clear()
        raise
    if found.finished:
        notes.append(f"{plan.path}: the last line was complete but for its line feed, which was added")
    if found.dropped:
        notes.append(
            f"{plan.path}: {found.dropped} bytes of a line that was cut while it was being written were dropped"
        )
    return notes


def refuse_below_log(project: Project, package: Package) -> None:
    """UsageError when sequence or a counter of a package is below the log's; nothing is written.

    The same sequence may be asked for again: whether it is the logged package shows when that is finished.
    """
    sequence = project.product.release.sequence
    floors = logged_floors(project) or ()
    floor = floor_of(project, floors)
    if floor is None or floor.sequence == sequence:
        return
    try:
        refuse_below(floors, [_logged(project, package, ())], sequence)
    except GoingDownError as error:
        raise _going_down(error, str(project.log_path), project.path) from None


def _going_down(error: GoingDownError, log: str, product_file: str) -> UsageError:
    return UsageError(
        f"{error.message} (release log {log})",
        place=error.place._replace(file=product_file),
        expected=error.expected,
        found=error.found,
        hint=error.hint,
    )
