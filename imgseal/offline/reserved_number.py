"""Finds the number that a signing request has in the release log: that of its reservation, and no other one."""

from imgseal.errors import Place, SigningKeyError, UsageError
from imgseal.flow.release import Job
from imgseal.formats.log.entry import Entry, Reservation
from imgseal.formats.sealed_image.codec import decode_statement
from imgseal.formats.suit.labels import LOG_HEAD, TEXT
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.formats.suit.text import decode_text, manifest_texts
from imgseal.make.pack import draft as draft_package
from imgseal.make.seal import SealedImage
from imgseal.offline.request import Request
from imgseal.workspace.numbering import Numbered, completed, line_of, statements
from imgseal.workspace.verified_log import VerifiedLog


def reserved_number(job: Job, log: VerifiedLog, request: Request, name: str) -> tuple[Job, Numbered]:
    """Return the job with the number that the log holds for the request, and what the log says of it.

    SigningKeyError where something else is made now than the request asks for. UsageError where the log holds no number
    for it: with one of its own the release would have a number that another one was given meanwhile, in the log that
    the request was made with.
    """
    channel = job.product.channel or ""
    found = completed(job, log, channel)
    if found is not None:
        return found
    if not _is_asked_for(job, request):
        raise SigningKeyError(
            "what is made here now is not what the request asks to be signed",
            place=Place(file=name),
            expected=f"SHA-256 {' or '.join(item.digest.hex() for item in request.items)}",
            found="something else, of these files and this product file",
            hint="finish with the firmware, product file and imgseal version of the request, all files of it; or ask "
            "again: imgseal build --release --sign-later",
        )
    release, surrendered = job.product.release, _surrendered(job, log)
    left = completed(job._replace(product=job.product._replace(release=release._replace(next=True))), log, channel)
    if left is not None:
        held = left[0].product.release.sequence
        raise UsageError(
            "the log has reserved another number for this request",
            place=job.product.place("release.sequence"),
            expected=f"{held}, as {log.path} has it",
            found=str(release.sequence),
            hint=f"finish as it was built: --set release.sequence={held}",
        )
    hint = "fetch the log that the request was made with (git pull, or take it from its branch), and finish again"
    raise UsageError(
        "the release log does not hold the number that this request reserved",
        place=Place(file=log.path),
        expected=f"an open reservation of {job.product.name} {release.version}",
        found=f"none in its {log.tip.size} entries" if surrendered is None else f"entry {surrendered}, surrendered",
        hint=f"{hint}; where it was made without a log, ask again: imgseal build --release --sign-later"
        if surrendered is None
        else "ask again, which gives it a number that is free: imgseal build --release --sign-later",
    )


def _surrendered(job: Job, log: VerifiedLog) -> int | None:
    """Return the reservation of this version and channel that was surrendered; None where there is none."""
    version, channel = str(job.product.release.version), job.product.channel or ""
    mine = line_of(job)
    entries = [
        each
        for each in log.of_version(version)
        if each.channel == channel and any(package.line == mine for package in each.packages)
    ]
    done = {each.reserved for each in entries if isinstance(each, Entry)}
    done |= {row.entry for floor in log.tip.least for row in floor.open}
    return next((each.number for each in entries if isinstance(each, Reservation) and each.number not in done), None)


def _is_asked_for(job: Job, request: Request) -> bool:
    """Say whether a request asks for what is made now, with the numbers that it states where the log gives them."""
    product = job.product
    if request.items[0].is_statement:
        stated = [decode_statement(item.content) for item in request.items]
        counters = {statement.component: statement.counter for statement in stated}
        components = {
            name: part._replace(counter=counters.get(part.number, part.counter)) if part.same else part
            for name, part in product.components.items()
        }
        unsealed = [file for file in job.firmware if not isinstance(file.content, SealedImage)]
        made = statements(job._replace(product=product._replace(components=components), firmware=unsealed))
        return {image.statement for image in made} == {item.digest for item in request.items}
    (item,) = request.items
    assert item.severed is not None
    heads = manifest_texts(decode_text(item.severed[TEXT], "text"), LOG_HEAD)
    sequence = decode_manifest(item.content).sequence_number
    draft = draft_package(
        tuple(file.content for file in job.firmware if isinstance(file.content, SealedImage)),
        product._replace(release=product.release._replace(sequence=sequence)),
        development=job.options.development,
        bill=job.bill,
        witness=heads.pop() if heads else None,
    )
    return draft.digest.value == item.digest
