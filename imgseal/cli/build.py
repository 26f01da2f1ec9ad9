"""`imgseal build`: for the firmware build script. Seals every component, packs, judges, and only then writes."""

import hashlib
import json
import os
from collections.abc import Iterable
from contextlib import ExitStack
from typing import TYPE_CHECKING

import click

from imgseal import __version__
from imgseal.cli.firmware import load_image, parse_firmware
from imgseal.cli.project import Project, product_options
from imgseal.cli.seal import image_outputs
from imgseal.cli.signing import build_time, source_revision
from imgseal.errors import UsageError
from imgseal.files import Output, refuse_overlap, write_all
from imgseal.flow import FirmwareFile, ReleaseResult, release
from imgseal.make.seal import SealOptions

if TYPE_CHECKING:
    from imgseal.product.model import Product

__all__ = ["command"]

_ALL = "all"


@click.command(
    "build",
    epilog="""
\b
Examples:
  imgseal build motor=app.hex radio=radio.srec --out out
  imgseal build motor=app-a.hex motor=app-b.hex       both run slots in one package
  imgseal build phrases=phrases.bin@0x60080400        a flat binary and its address
  imgseal build radio=old/radio.sealed.bin motor=app.hex   keeps a sealed image byte for byte
  imgseal build motor=app.hex --release --set release.version=2.4.1 --depfile out/fw.d

\b
Without --release everything is marked as development and signed with the development keys.
""",
)
@click.argument("firmware", metavar="NAME=FILE[@ADDRESS]...", nargs=-1, required=True)
@click.option("--release", "is_release", is_flag=True, help="The real one: release keys, no development flag.")
@click.option("--out", default="out", show_default=True, metavar="DIR", help="Folder for what is written.")
@click.option("--depfile", metavar="FILE", help="Write a dependency file for Make and Ninja.")
@click.option("--revision", metavar="HEX", help="Source revision to record, up to 64 hex digits.")
@product_options
def command(
    firmware: tuple[str, ...],
    is_release: bool,
    out: str,
    depfile: str | None,
    revision: str | None,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> None:
    """Seal every component and pack the release.

    Writes the update package, each sealed image, and release.json with paths, digests and sizes. Everything is judged
    before anything is written; when something is refused, nothing is written.
    """
    base = Project.load(product_file, settings, None if variant == _ALL else variant)
    projects = [base]
    if variant == _ALL:
        projects = [Project.load(product_file, settings, name) for name in base.product.variants]
        if not projects:
            raise UsageError("--variant all, but the product file has no variants", hint="leave --variant out")
    development = not is_release
    options = SealOptions(build_time(), development=development, source_revision=source_revision(revision))
    arguments = [parse_firmware(argument, base.product) for argument in firmware]
    inputs = [argument.path for argument in arguments]
    outputs: list[Output] = []
    lines: list[str] = []
    notes: list[str] = []
    with ExitStack() as stack:
        files = [
            FirmwareFile(a.component, a.path, stack.enter_context(load_image_or_sealed(a.path, a.base)))
            for a in arguments
        ]
        for project in projects:
            folder = os.path.join(out, project.product.variant) if project.product.variant and variant == _ALL else out
            result = release(
                files,
                project.product,
                options,
                image_signers=(project.signer("images", development=development),),
                package_signers=(project.signer("packages", development=development),),
                trust=project.trust(),
            )
            made = _outputs(result, project.product, folder, development=development)
            before = _previous_sizes(os.path.join(folder, "release.json"))
            lines += [_slot_line(result, index, before) for index in range(len(result.images))]
            outputs += made
            notes += result.notes
        if depfile is not None:
            targets = [output.path for output in outputs]
            outputs.append(Output(depfile, [_dependencies(targets, [*inputs, *_product_inputs(base)])]))
        refuse_overlap([o.path for o in outputs], [*inputs, *_product_inputs(base)])
        write_all(outputs)
    for note in dict.fromkeys(notes):
        click.echo(f"imgseal: {note}", err=True)
    for line in lines:
        click.echo(line)
    for output in outputs:
        if output.path.endswith(".suit"):
            click.echo(output.path)
