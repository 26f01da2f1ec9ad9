"""`imgseal pack`: an update package from images that are sealed already."""

import os

import click

from imgseal.console.options import ChosenProduct, bill_option, product_options
from imgseal.console.say import say, say_written
from imgseal.errors import UsageError
from imgseal.flow.release import pack_images
from imgseal.make.seal import SealOptions
from imgseal.workspace.clock import build_time
from imgseal.workspace.firmware import load_bill, load_sealed
from imgseal.workspace.outputs import package_file_name
from imgseal.workspace.release_job import release_job, write_release
from imgseal.workspace.staging import Output


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
@click.option("--unfinished", is_flag=True, help="Write the package although other keys have to sign it yet.")
@click.option("--out", default=".", metavar="DIR", help="Folder for the package; default this one.")
@product_options
def command(
    images: tuple[str, ...],
    is_release: bool,
    sbom: str | None,
    unfinished: bool,
    out: str,
    chosen: ChosenProduct,
) -> None:
    """Pack sealed images into NAME-VERSION-SEQUENCE.suit and sign the manifest.

    The package is judged before it is written. Where the product file states a release log, --release adds an entry.
    """
    project = chosen.load()
    product = project.product
    paths = [path for path in images if not (".payload." in os.path.basename(path) and len(images) > 1)]
    if not paths:
        raise UsageError("there is nothing to pack", hint="name the .header.bin file of a detached image")
    sealed = tuple(load_sealed(path, product) for path in paths)
    job = release_job(
        project, [], SealOptions(build_time(), development=not is_release), bill=load_bill(sbom), unfinished=unfinished
    )
    package, verdict = pack_images(job, sealed)
    revisions = {image.statement.source_revision for image in sealed}
    options = job.options._replace(source_revision=revisions.pop() if len(revisions) == 1 else b"")
    name = package_file_name(product, development=options.development, unfinished=unfinished)
    outputs = [Output(os.path.join(out, name), package.pieces())]
    notes = write_release(outputs, [*images, sbom], project, [(project, package, job.package_signers)], options)
    say([*project.notes_on_keys(development=options.development), *verdict.notes, *notes])
    say_written(outputs)
