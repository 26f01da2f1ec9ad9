"""`imgseal seal`: one sealed image."""

import os
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import click

from imgseal.cli.firmware import component_of, load_image, split_address
from imgseal.cli.project import Project, product_options
from imgseal.cli.signing import build_time, day_of, source_revision
from imgseal.errors import UsageError, visible
from imgseal.files import Output, refuse_overlap, write_all
from imgseal.flow import seal
from imgseal.make.seal import SealedImage, SealOptions

if TYPE_CHECKING:
    from imgseal.product.model import Product

__all__ = ["command", "image_outputs"]


@click.command(
    "seal",
    epilog="""
\b
Examples:
  imgseal seal app.hex --component motor                 motor-a.sealed.bin here
  imgseal seal app.elf --component motor --out m.bin     another name
  imgseal seal radio.bin@0x70400 --component radio       a flat binary
  imgseal seal app.hex --component motor --hex           as Intel HEX
""",
)
@click.argument("firmware", metavar="FILE[@ADDRESS]")
@click.option("--component", required=True, metavar="NAME", help="The component of the product file this is for.")
@click.option("--out", metavar="FILE", help="Name of the sealed image; default SLOT.sealed.bin in this folder.")
@click.option("--hex", "as_hex", is_flag=True, help="Write Intel HEX with the slot's addresses instead of binary.")
@click.option("--release", is_flag=True, help="Sign with the release key; without it the image is marked development.")
@click.option("--revision", metavar="HEX", help="Source revision to record, up to 64 hex digits.")
@product_options
def command(
    firmware: str,
    component: str,
    out: str | None,
    as_hex: bool,
    release: bool,
    revision: str | None,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> None:
    """Put a header in front of a firmware file and sign it.

    The slot follows from the address the firmware is linked for. What is written has been judged first.
    """
    project = Project.load(product_file, settings, variant)
    product = project.product
    part = component_of(product, component)
    path, base = split_address(firmware)
    options = SealOptions(build_time(), development=not release, source_revision=source_revision(revision))
    signers = project.signers("images", development=not release)
    with load_image(path, base) as image:
        trust = project.trust(development=not release)
        sealed = seal(image, product, part, path, options, signers, trust, day=day_of(options.build_time))
        outputs = []
        for number, made in enumerate(sealed):
            name = out if number == 0 else None
            outputs += image_outputs(made, product, os.path.dirname(out) if out else "", name, as_hex=as_hex)
        refuse_overlap([o.path for o in outputs], [path, *project.own_files()])
        write_all(outputs)
    for note in (*project.notes_on_keys(development=not release), *(f"{path}: {note}" for note in image.notes)):
        click.echo(f"imgseal: {visible(note)}", err=True)
    for output in outputs:
        click.echo(output.path)


def image_outputs(
    sealed: SealedImage, product: "Product", folder: str, out: str | None = None, *, as_hex: bool = False
) -> list[Output]:
    """Return the files of a sealed image: one, or header and payload of a detached one; as hex at their addresses."""
    placed = sealed.placed
    slot = placed.slot.name
    ending = "hex" if as_hex else "bin"
    if not sealed.statement.detached:
        name = out or os.path.join(folder, f"{slot}.sealed.{ending}")
        return [_output(name, sealed.pieces(), product.slot_base(slot), as_hex=as_hex)]
    if out is not None and not out.endswith(f".header.{ending}"):
        raise UsageError(
            "a detached image is two files",
            expected=f"a name that ends in .header.{ending}; the payload's name follows from it",
            found=out,
            hint="leave --out out, or give a name with that ending",
        )
    header = out or os.path.join(folder, f"{slot}.header.{ending}")
    payload = header[: -len(f".header.{ending}")] + f".payload.{ending}"
    header_base = product.slot_base(placed.component.header[placed.slot_index])
    return [
        _output(header, sealed.pieces(), header_base, as_hex=as_hex),
        _output(payload, sealed.payload.chunks(), placed.link_address, as_hex=as_hex),
    ]


def _output(name: str, pieces: Iterable[bytes], base: int, *, as_hex: bool) -> Output:
    if not as_hex:
        return Output(name, pieces)
    from imgseal.source.intel_hex_writer import write_intel_hex

    return Output(name, write_intel_hex(_placed(pieces, base)))


def _placed(pieces: Iterable[bytes], address: int) -> Iterator[tuple[int, bytes]]:
    for piece in pieces:
        yield address, piece
        address += len(piece)
