"""`imgseal check`: the verdict on artefacts, for people and for scripts."""

import sys

import click

from imgseal import __version__
from imgseal.console.options import ChosenProduct, as_of_option, product_options
from imgseal.errors import UsageError
from imgseal.workspace.archive import archived
from imgseal.workspace.artefacts import open_artefact
from imgseal.workspace.judging import Judges
from imgseal.workspace.staging import json_text
from imgseal.workspace.verdict_text import verdict_lines


@click.command(
    "check",
    epilog="""
\b
Examples:
  imgseal check out/vent-drive-2.4.1-17.suit       a package, for a fresh device
  imgseal check out/*.sealed.bin                   sealed images
  imgseal check package.suit --device state.json   for this device
  imgseal check header.bin --payload radio.bin     a detached header
  imgseal check dump.bin --slot motor-a            a slot read from a device
  imgseal check package.suit --as-of 2031-06-01    were the keys in force on that day?
  imgseal check 2.trust --device state.json        a trust anchor update
  imgseal check package.suit --json                for scripts

\b
Exit status 0 when every artefact is accepted, 1 when one is refused.
""",
)
@click.argument("artefacts", metavar="ARTEFACT...", nargs=-1, required=True)
@click.option("--device", "device_file", metavar="FILE", help="Judge for the device that this state file describes.")
@click.option("--development", is_flag=True, help="Admit development images and keys.")
@click.option("--payload", metavar="FILE", help="The payload of a detached header.")
@click.option("--slot", metavar="NAME", help="The artefact is a dump of this whole slot.")
@click.option("--archive", metavar="DIR", help="Packages that devices may run: what a delivery starts from.")
@as_of_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON (docs/format/verdict.schema.json).")
@click.option("--every", is_flag=True, help="List every check, not only those that failed.")
@product_options
def command(
    artefacts: tuple[str, ...],
    device_file: str | None,
    development: bool,
    payload: str | None,
    slot: str | None,
    archive: str | None,
    as_of: str | None,
    as_json: bool,
    every: bool,
    chosen: ChosenProduct,
) -> int:
    """Judge sealed images, detached headers, update packages and slot dumps as a bootloader would.

    Without --device the verdict is for a fresh device: nothing installed, counters at zero, or those of the release log
    where one is kept. The first line says so. With --development the log does not count. Devices have no clock to
    trust: the days of keys, from and until in [trust], are for this tool and its users.
    """
    if len(artefacts) > 1 and (payload or slot):
        raise UsageError(
            "--payload and --slot go with one artefact",
            found=f"{len(artefacts)} artefacts",
            hint="check the artefacts one by one",
        )
    products = chosen.every()
    bases = archived(archive, device_file)
    judges = Judges(products, device_file, development=development, as_of=as_of, archive=bases)
    judged = [
        judges(
            open_artefact(path, () if slot else judges.all_products),
            path,
            slot=slot,
            payload=open_artefact(payload) if payload else None,
        )
        for path in artefacts
    ]
    if as_json:
        from imgseal.workspace.verdict_json import verdicts_document

        by = [(verdict, (each.path, each.product.variant, each.product.channel)) for verdict, each in judged]
        click.echo(json_text(verdicts_document(by, __version__, products.path)), nl=False)
    else:
        for number, (verdict, project) in enumerate(judged):
            lines = list(verdict_lines(verdict, project.words, every_check=every))
            sys.stdout.write(("\n" if number else "") + "\n".join(lines) + "\n")
    return 0 if all(verdict.accepted for verdict, _ in judged) else 1
