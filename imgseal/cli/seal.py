"""`imgseal seal`: one sealed image."""

import os
from collections.abc import Iterator

import click

from imgseal.cli.firmware import component_of, load_image, split_address
from imgseal.cli.project import Project, product_options
from imgseal.cli.signing import build_time, source_revision
from imgseal.errors import UsageError
from imgseal.files import Output, refuse_overlap, write_all
from imgseal.flow import seal
from imgseal.make.seal import SealedImage, SealOptions

__all__ = ["command", "hex_pieces", "image_outputs"]


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
    signer = project.signer("images", development=not release)
    with load_image(path, base) as image:
        sealed = seal(image, product, part, path, options, (signer,), project.trust(development=not release))
        outputs = []
        for number, made in enumerate(sealed):
            name = out if number == 0 else None
            outputs += image_outputs(made, os.path.dirname(out) if out else "", name, as_hex=as_hex)
        refuse_overlap([o.path for o in outputs], [path, project.path])
        write_all(outputs)
    for note in image.notes:
        click.echo(f"imgseal: {path}: {note}", err=True)
    for output in outputs:
        click.echo(output.path)


def image_outputs(sealed: SealedImage, folder: str, out: str | None = None, *, as_hex: bool = False) -> list[Output]:
    """Return the files of a sealed image: one, or header and payload of a detached one."""
    slot = sealed.placed.slot.name
    ending = "hex" if as_hex else "bin"
    if not sealed.statement.detached:
        name = out or os.path.join(folder, f"{slot}.sealed.{ending}")
        return [Output(name, hex_pieces(sealed) if as_hex else sealed.pieces())]
    if out is not None and not out.endswith(f".header.{ending}"):
        raise UsageError(
            "a detached image is two files",
            expected=f"a name that ends in .header.{ending}; the payload's name follows from it",
            found=out,
        )
    header = out or os.path.join(folder, f"{slot}.header.{ending}")
    payload = header[: -len(f".header.{ending}")] + f".payload.{ending}"
    if as_hex:
        raise UsageError(
            "a detached image has no hex form", hint="leave --hex out; the payload's own file is its hex form"
        )
    return [Output(header, sealed.pieces()), Output(payload, sealed.payload.chunks())]


def hex_pieces(sealed: SealedImage) -> Iterator[bytes]:
    """Yield a sealed image as Intel HEX, at its run slot's address."""
    from imgseal.source.intel_hex_writer import write_intel_hex

    def pieces() -> Iterator[tuple[int, bytes]]:
        address = sealed.statement.link_address - len(sealed.header_block)
        for piece in sealed.pieces():
            yield address, piece
            address += len(piece)

    return write_intel_hex(pieces())
