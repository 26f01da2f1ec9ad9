"""Gives a release its number: the next one of the log, that of the request which it completes, or the one it has.

The same firmware, version, revision and build time are the same release: it is found in the log by its statements,
and made again it has the same number and carries the same head, so that it is the same bytes.
"""

import hashlib
from collections.abc import Iterator

from imgseal.errors import Place, UsageError
from imgseal.flow.release import Job
from imgseal.formats.log.entry import Entry, Line, LoggedImage, LoggedPackage, Reservation
from imgseal.formats.log.floors import given, of_recovery
from imgseal.formats.sealed_image.codec import encode_statement
from imgseal.make.place import place_all
from imgseal.make.seal import SealedImage, draft
from imgseal.product.left_to_log import NONE
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.workspace.last_numbers import numbers_in
from imgseal.workspace.log_entries import logged_images, variant_of
from imgseal.workspace.verified_log import VerifiedLog


class Said(NamedTuple):
    """What the caller says of a release: why again, why without a revision, and which entry it is made from again."""

    again: str = ""
    unrecorded: str = ""
    entry: int | None = None


class NumberTakenError(UsageError):
    """Another release has taken the number meanwhile that the log had as the next one."""


class Numbered(NamedTuple):
    """What the log says of a release that is being made: the entry that it is, or the reservation it completes.

    `witness` is the size of the log whose head the package carries, `manifest` the digest that the entry has, `origin`
    the entry of another channel whose sealed images are signed again; `notes` are what else is to be said of it.
    """

    witness: int | None = None
    entry: int | None = None
    reserved: int | None = None
    again: str = ""
    unrecorded: str = ""
    manifest: bytes = b""
    origin: int | None = None
    notes: tuple[str, ...] = ()


def numbered(job: Job, log: VerifiedLog, said: Said, channel: str = "") -> tuple[Job, Numbered]:
    """Return the job with its number and the head that its package carries, and what the log says of it.

    UsageError where the version was released before with other content, or is below the last of its channel, and where
    nothing says which sources it is made of; NumberTakenError where the log has grown since it gave the number.
    """
    job = _with_next_of_recovery(job, log)
    line = line_of(job)
    if said.entry is not None:
        return _of_entry(job, log, said.entry, channel)
    made = _made_before(job, log, said.again, channel)
    if made is not None:
        return made
    _refuse_taken(job, log)
    if not said.again:
        _refuse_version(job, log, line, channel)
    if not _revision(job) and not said.unrecorded:
        raise UsageError(
            "nothing says which sources this release is made of",
            place=Place(key="--revision"),
            expected="the source revision, such as the output of git rev-parse HEAD",
            found="none",
            hint="--revision HEX, or --describe TEXT; or say why there is none, which is logged: --unrecorded WHY",
        )
    origin = _origin(job, log, line, channel)
    new = Numbered(log.head.size, again=said.again, unrecorded=said.unrecorded, origin=origin)
    return job._replace(witness=str(log.head)), new


def completed(job: Job, log: VerifiedLog, channel: str) -> tuple[Job, Numbered] | None:
    """Return the job as the log has reserved it, or as it was released since; None where the log has neither.

    UsageError where it is withdrawn.
    """
    return _made_before(_with_next_of_recovery(job, log), log, "", channel)


def _made_before(job: Job, log: VerifiedLog, again: str, channel: str) -> tuple[Job, Numbered] | None:
    for entry, package in _candidates(log, job.product, line_of(job), channel):
        if job.options.source_revision and entry.revision != job.options.source_revision:
            continue
        if again not in ("", entry.again):  # it was released for another reason: this is one more release
            continue
        tried = _with_numbers(job, entry, package)
        if tried is not None and statements(tried) == package.images:
            _refuse_withdrawn(log, entry, package)
            return _again(tried, log, entry, package)
    return None


def line_of(job: Job) -> Line:
    """Return class and variant of a release, as the log has them."""
    return job.product.class_id, variant_of(job.product, (file.component for file in job.firmware))


def _with_next_of_recovery(job: Job, log: VerifiedLog) -> Job:
    """Return the job with the next number of recovery images, where it has those alone and no number is stated."""
    product, line = job.product, line_of(job)
    if not product.release.next or not of_recovery(line[1]):
        return job
    known = [given(each) for each in log.tip.least if each.class_id == line[0] and of_recovery(each.variant)]
    release = product.release._replace(sequence=max(known, default=0) + 1)
    return job._replace(product=product._replace(release=release))


def _refuse_taken(job: Job, log: VerifiedLog) -> None:
    """NumberTakenError where the product file was read before another release came, and the log after it."""
    release, line = job.product.release, line_of(job)
    if not release.next or of_recovery(line[1]):
        return
    following = numbers_in(log.tip.least).get(line[0], NONE).sequence + 1
    if release.sequence < following:  # variants of other classes share the highest
        raise NumberTakenError(
            f"another release has taken the number meanwhile (release log {log.path})",
            place=job.product.place("release.sequence"),
            expected=f"{following} or above",
            found=str(release.sequence),
            hint="build it again",
        )


def statements(job: Job) -> tuple[LoggedImage, ...]:
    """Return the images of a job as the log has them, without signing anything."""
    images: list[LoggedImage] = []
    for file in job.firmware:
        if isinstance(file.content, SealedImage):
            images += logged_images((file.content,))
            continue
        component = job.product.components[file.component]
        for placed in place_all(file.content, job.product, component, file.name):
            statement = draft(placed, job.product, job.options, job.image_signers)
            images.append(
                LoggedImage(
                    placed.component.number,
                    placed.component.name,
                    placed.slot.name,
                    statement.version,
                    statement.counter,
                    hashlib.sha256(encode_statement(statement)).digest(),
                    tuple(slot.key_id for slot in statement.signatures),
                )
            )
    run = {name: index for part in job.product.components.values() for index, name in enumerate(part.run)}
    return tuple(sorted(images, key=lambda image: (image.component, run[image.slot])))


def _revision(job: Job) -> bytes:
    """Return the source revision: of the options, or of the images that are sealed already, where it is one."""
    sealed = {file.content.statement.source_revision for file in job.firmware if isinstance(file.content, SealedImage)}
    if job.options.source_revision or len(sealed) != 1:
        return job.options.source_revision
    return sealed.pop()


def _origin(job: Job, log: VerifiedLog, line: Line, channel: str) -> int | None:
    """Return the release of another channel whose sealed images these are, which are all that there is: a promotion.

    UsageError where such a release is withdrawn.
    """
    if not channel or any(not isinstance(file.content, SealedImage) for file in job.firmware):
        return None
    images, found = statements(job), None
    for entry, package in _candidates(log, job.product, line, None):
        if isinstance(entry, Entry) and entry.channel != channel and package.images == images:
            refuse_withdrawn(log, entry, package)
            found = entry.number if entry.origin is None else entry.origin
    return found


def refuse_withdrawn(log: VerifiedLog, entry: Entry, package: LoggedPackage) -> None:
    """UsageError where a package of a release is withdrawn: what is in it goes to nobody else."""
    if any(package.manifest in floor.withdrawn for floor in log.tip.least if floor.class_id == package.class_id):
        raise UsageError(
            "this release is withdrawn, and goes to nobody else",
            place=Place(file=log.path, key=f"entry {entry.number}"),
            expected="a release that is not withdrawn",
            found=f"{entry.product} {entry.version}, sequence {entry.sequence}",
            hint="imgseal log show says why; build a new release from the sources that were mended",
        )


def _candidates(
    log: VerifiedLog, product: Product, line: Line, channel: str | None
) -> Iterator[tuple[Entry | Reservation, LoggedPackage]]:
    """Yield what the log has of this version for this class, variant and channel, and is not given up.

    None: of any channel.
    """
    pending = {row.entry for floor in log.tip.least if floor.line == line for row in floor.open}
    for entry in log.of_version(str(product.release.version)):
        if channel not in (None, entry.channel) or (isinstance(entry, Reservation) and entry.number not in pending):
            continue
        for package in entry.packages:
            if package.line == line:
                yield entry, package


def _with_numbers(job: Job, entry: Entry | Reservation, package: LoggedPackage) -> Job | None:
    """Return the job with the numbers of an entry where they are left to the log; None where they are others."""
    release = job.product.release
    return None if not release.next and release.sequence != entry.sequence else _as_logged(job, entry, package)


def _as_logged(job: Job, entry: Entry | Reservation, package: LoggedPackage) -> Job:
    """Return the job with the sequence of an entry, and its counters where they are left to the log."""
    product = job.product
    counters = {image.name: image.counter for image in package.images}
    components = {
        name: part._replace(counter=counters[name]) if part.same and name in counters else part
        for name, part in product.components.items()
    }
    release = product.release._replace(sequence=entry.sequence)
    return job._replace(product=product._replace(release=release, components=components))


def _again(job: Job, log: VerifiedLog, entry: Entry | Reservation, package: LoggedPackage) -> tuple[Job, Numbered]:
    head = None if entry.witness is None else str(log.head_at(entry.witness))
    made = Numbered(entry.witness, again=entry.again, unrecorded=entry.unrecorded)
    if isinstance(entry, Entry):
        made = made._replace(entry=entry.number, manifest=package.manifest)
    else:
        made = made._replace(reserved=entry.number, origin=_origin(job, log, package.line, entry.channel))
    return job._replace(witness=head), made


def _refuse_withdrawn(log: VerifiedLog, entry: Entry | Reservation, package: LoggedPackage) -> None:
    """UsageError where a release that is made again is withdrawn: what is built is meant to be shipped."""
    if any(package.manifest in floor.withdrawn for floor in log.tip.least):
        raise UsageError(
            "this release is withdrawn: nobody is to install it",
            place=Place(file=log.path),
            expected="a release that is not withdrawn",
            found=f"{entry.product} {entry.version}, entry {entry.number}",
            hint="release a later version; --entry ENTRY makes the files of this one again, to look at them",
        )


def _of_entry(job: Job, log: VerifiedLog, number: int, channel: str) -> tuple[Job, Numbered]:
    """Return the job as the release of an entry was made; UsageError where it would be another one."""
    product, entry = job.product, log.entry(number)
    line = line_of(job)
    packages = [each for each in entry.packages if each.line == line] if isinstance(entry, Entry) else []
    if isinstance(entry, Reservation) and any(row.entry == number for floor in log.tip.least for row in floor.open):
        raise UsageError(
            "this entry is a reservation that is still open, and no release yet",
            place=Place(file=log.path, key="--entry"),
            expected="the number of an entry with a package for this class and variant",
            found=f"entry {number}, which holds sequence {entry.sequence} for {entry.product} {entry.version}",
            hint="imgseal finish completes it with the responses to its request; leave --entry out to ask for it again",
        )
    if not isinstance(entry, Entry) or not packages:
        raise UsageError(
            "this entry is no release of this product",
            place=Place(file=log.path, key="--entry"),
            expected="the number of an entry with a package for this class and variant",
            found=str(number),
            hint="imgseal log show lists them",
        )
    if entry.channel != channel:  # its manifest, signed with the key of another channel, would be for other devices
        raise UsageError(
            "this entry is a release of another channel",
            place=Place(file=log.path, key="--entry"),
            expected=f"an entry of channel {channel}" if channel else "an entry without channel",
            found=f"entry {number}, of channel {entry.channel}"
            if entry.channel
            else f"entry {number}, without channel",
            hint=f"--channel {entry.channel} makes it again" if entry.channel else "it was released without channels",
        )
    tried = _with_numbers(job, entry, packages[0])
    found = () if tried is None else statements(tried)
    if tried is None or found != packages[0].images:
        raise UsageError(
            f"what is built here is not the release of entry {number}",
            place=Place(file=log.path, key="--entry"),
            expected=f"{entry.product} {entry.version}, sequence {entry.sequence}, "
            + ", ".join(f"{image.slot} {image.statement.hex()}" for image in packages[0].images),
            found=", ".join(f"{image.slot} {image.statement.hex()}" for image in found)
            or f"sequence {product.release.sequence}",
            hint=f"use the sources and the product file of then: {_made_of(log, entry)}",
        )
    return _again(tried, log, entry, packages[0])


def _made_of(log: VerifiedLog, entry: Entry | Reservation) -> str:
    """Say what the sealed images of an entry are made of; those of a promotion are of its release, and of that time."""
    source, words = entry, ""
    if isinstance(entry, Entry) and entry.origin is not None:
        origin = log.entry(entry.origin)
        assert isinstance(origin, Entry)  # the log verifies
        source = origin
        words = f", or promote the package of entry {origin.number} again: imgseal promote PACKAGE --to {entry.channel}"
    return f"revision {source.revision.hex() or 'not stated'} with SOURCE_DATE_EPOCH={source.built}{words}"


def _refuse_version(job: Job, log: VerifiedLog, line: tuple[bytes, str], channel: str) -> None:
    product = job.product
    version = product.release.version
    origin = _origin(job, log, line, channel)
    if origin is None:
        place, hint = product.place("release.version"), "raise release.version"
    else:  # the version is that of the package
        place, hint = Place(file=log.path, key=f"entry {origin}"), "promote a later release"
    hint += "; or say why this is right, which is logged: --again WHY"
    for entry, package in _candidates(log, product, line, channel):
        if statements(_as_logged(job, entry, package)) == package.images:
            raise UsageError(
                "this release has another number in the log",
                place=product.place("release.sequence"),
                expected=f"{entry.sequence}, of entry {entry.number} of {log.path}",
                found=str(product.release.sequence),
                hint=f"as it was built: --set release.sequence={entry.sequence}",
            )
        raise UsageError(
            "this version was released before, with other content",
            place=place,
            expected=f"a version that entry {entry.number} of {log.path} does not have",
            found=str(version),
            hint=f"{hint}; for the same bytes build it from {_made_of(log, entry)}",
        )
    last = log.last_of(line, channel)
    if last is not None and version < last.version:
        raise UsageError(
            "this version is lower than the last that was released",
            place=place,
            expected=f"above {last.version}, of entry {last.number} of {log.path}",
            found=str(version),
            hint=hint,
        )
