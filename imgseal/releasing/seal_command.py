"""`imgseal seal`: one sealed image."""

import os

import click

from imgseal.console.options import ChosenProduct, product_options
from imgseal.console.say import say
from imgseal.flow.release import seal
from imgseal.make.seal import SealOptions
from imgseal.workspace.clock import build_time, day_of, source_revision
from imgseal.workspace.files import write_all
from imgseal.workspace.firmware import component_of, load_image, split_address
from imgseal.workspace.outputs import image_outputs


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
    chosen: ChosenProduct,
) -> None:
    """Put a header in front of a firmware file and sign it.

    The slot follows from the address the firmware is linked for. What is written has been judged first.
    """
    project = chosen.load()
    product = project.product
    part = component_of(product, component)
    path, base = split_address(firmware)
    options = SealOptions(build_time(), development=not release, source_revision=source_revision(revision))
    signers = project.signers("images", development=not release)
    with load_image(path, base, product) as image:
        trust = project.trust(development=not release)
        sealed = seal(image, product, part, path, options, signers, trust, day=day_of(options.build_time))
        outputs = []
        for number, made in enumerate(sealed):
            name = out if number == 0 else None
            outputs += image_outputs(made, product, os.path.dirname(out) if out else "", name, as_hex=as_hex)
        write_all(outputs, [path, *project.own_files()])
    say([*project.notes_on(development=not release), *(f"{path}: {note}" for note in image.notes)])
    for output in outputs:
        click.echo(output.path)
