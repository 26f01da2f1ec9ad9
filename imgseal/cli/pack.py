"""`imgseal pack`: an update package from images that are sealed already."""

import os
from typing import TYPE_CHECKING

import click

from imgseal.cli.bill import bill_option, load_bill
from imgseal.cli.fielded import fielded_now
from imgseal.cli.firmware import load_sealed
from imgseal.cli.project import Project, product_options
from imgseal.cli.release_log import plan_entry, refuse_development_keys, write_logged
from imgseal.cli.signing import build_time, day_of
from imgseal.errors import UsageError, visible
from imgseal.files import Output, refuse_overlap
from imgseal.flow import pack_images

if TYPE_CHECKING:
    from imgseal.product.model import Product

__all__ = ["command", "package_file_name"]


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
@click.option("--unfinished", is_flag=True, help="Write the package although other keys have to endorse it yet.")
@click.option("--out", default=".", metavar="DIR", help="Folder for the package; default this one.")
@product_options
def command(
    images: tuple[str, ...],
    is_release: bool,
    sbom: str | None,
    unfinished: bool,
    out: str,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> None:
    """Pack sealed images into NAME-VERSION-SEQUENCE.suit and sign the manifest.

    The package is judged before it is written. Where the product file states a release log, --release adds an entry.
    """
    project = Project.load(product_file, settings, variant)
    product = project.product
    development = not is_release
    paths = [path for path in images if not (".payload." in os.path.basename(path) and len(images) > 1)]
    if not paths:
        raise UsageError("there is nothing to pack", hint="name the .header.bin file of a detached image")
    sealed = tuple(load_sealed(path, product) for path in paths)
    signers = project.signers("packages", development=development)
    if is_release and product.ledger is not None:
        refuse_development_keys(project, signers)
    package, verdict = pack_images(
        sealed,
        product,
        signers,
        project.trust(development=development),
        development=development,
        day=day_of(build_time()),
        unfinished=unfinished,
        bill=load_bill(sbom),
        fielded=fielded_now(project, None, development=development, begins_log=is_release),
    )
    name = package_file_name(product, development=development, unfinished=unfinished)
    output = Output(os.path.join(out, name), package.pieces())
    revisions = {image.statement.source_revision for image in sealed}
    revision = revisions.pop() if len(revisions) == 1 else b""
    plan = plan_entry([(project, package, signers)], build_time(), revision) if is_release else None
    refuse_overlap([output.path], [*images, *([sbom] if sbom is not None else []), *project.own_files()])
    for note in (*project.notes_on_keys(development=development), *verdict.notes, *write_logged([output], plan)):
        click.echo(f"imgseal: {visible(note)}", err=True)
    click.echo(output.path)


def package_file_name(product: "Product", *, development: bool, unfinished: bool) -> str:
    """Return the name of a package's file: one that must not ship says so."""
    mark = ("-development" if development else "") + ("-unfinished" if unfinished else "")
    return f"{product.name}-{product.release.version}-{product.release.sequence}{mark}.suit"
