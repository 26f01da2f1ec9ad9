"""`imgseal pack`: an update package from images that are sealed already."""

import os

import click

from imgseal.console.options import (
    ChosenProduct,
    again_option,
    bill_option,
    product_options,
    reason,
    unrecorded_option,
)
from imgseal.console.say import say, say_written
from imgseal.errors import UsageError
from imgseal.flow.release import FirmwareFile, pack_images
from imgseal.make.seal import SealOptions
from imgseal.workspace.clock import build_time
from imgseal.workspace.firmware import load_bill, load_sealed
from imgseal.workspace.numbering import Said
from imgseal.workspace.outputs import package_file_name
from imgseal.workspace.release_job import number_job, release_job, with_a_free_number, write_release
from imgseal.workspace.release_log import Made
from imgseal.workspace.staging import Output
from imgseal.workspace.verified_log import open_log


@click.command(
    "pack",
    epilog="""
\b
Examples:
  imgseal pack motor-a.sealed.bin motor-b.sealed.bin radio.sealed.bin
  imgseal pack *.sealed.bin --release --out ship/
  imgseal pack boot.header.bin           its payload boot.payload.bin lies beside it
""",
)
@click.argument("images", metavar="SEALED...", nargs=-1, required=True)
@click.option(
    "--release", "is_release", is_flag=True, help="Sign with the release key; the images must be released too."
)
@bill_option
@again_option
@unrecorded_option
@click.option("--unfinished", is_flag=True, help="Write the package although other keys have to sign it yet.")
@click.option("--out", default=".", metavar="DIR", help="Folder for the package; default this one.")
@product_options
def command(
    images: tuple[str, ...],
    is_release: bool,
    sbom: str | None,
    again: str | None,
    unrecorded: str | None,
    unfinished: bool,
    out: str,
    chosen: ChosenProduct,
) -> None:
    """Pack sealed images into NAME-VERSION-SEQUENCE.suit and sign the manifest.

    The package is judged before it is written. Where the product file states a release log, --release adds an entry.
    """
    said = Said(reason(again, "--again"), reason(unrecorded, "--unrecorded"))
    moment = SealOptions(build_time(), development=not is_release)
    paths = [path for path in images if not (".payload." in os.path.basename(path) and len(images) > 1)]
    if not paths:
        raise UsageError("there is nothing to pack", hint="name the .header.bin file of a detached image")

    def attempt() -> tuple[list[Output], list[str]]:
        project = chosen.load()
        sealed = tuple(load_sealed(path, project.product) for path in paths)
        job = release_job(project, [], moment, bill=load_bill(sbom), unfinished=unfinished)
        log = open_log(project) if is_release else None
        named = zip(paths, sealed, strict=True)
        given = [FirmwareFile(image.placed.component.name, path, image) for path, image in named]
        project, job, numbered = number_job(project, job._replace(firmware=given), log, said)
        package, verdict = pack_images(job, sealed)
        revisions = {image.statement.source_revision for image in sealed}
        options = moment._replace(source_revision=revisions.pop() if len(revisions) == 1 else b"")
        name = package_file_name(project.product, development=options.development, unfinished=unfinished)
        outputs = [Output(os.path.join(out, name), package.pieces())]
        made = [Made(project, package, job.package_signers, numbered)]
        notes = write_release(outputs, [*images, sbom], project, made, options)
        return outputs, [*project.notes_on(development=options.development), *verdict.notes, *notes]

    outputs, notes = with_a_free_number(attempt)
    say(notes)
    say_written(outputs)
