"""`imgseal compare`: what an update changes."""

import click

from imgseal.console.options import ChosenProduct, product_options
from imgseal.workspace.packages import package_contents


@click.command(
    "compare",
    epilog="""
\b
Examples:
  imgseal compare old/vent-drive-2.4.0-16.suit out/vent-drive-2.4.1-17.suit
  imgseal compare old.suit new.suit --json
  imgseal compare old.suit new.delivery.suit                what travels of it
""",
)
@click.argument("old")
@click.argument("new")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@product_options
def command(
    old: str,
    new: str,
    as_json: bool,
    chosen: ChosenProduct,
) -> None:
    """Compare two update packages: versions, counters, keys, sizes, requirements, bytes and erase blocks.

    Where one is a delivery, what travels and what is the same. Nothing is verified: use check for that.
    """
    from imgseal.compare.difference import compare
    from imgseal.compare.text import comparison_document, comparison_lines
    from imgseal.compare.travels import read_update, travel, travel_document, travel_lines
    from imgseal.flow.as_released import wraps_release
    from imgseal.workspace.files import load_artefact

    product = chosen.load().product
    given = [load_artefact(path) for path in (old, new)]
    if any(map(wraps_release, given)):
        found = travel(read_update(given[0], old, product), read_update(given[1], new, product), product)
        document, lines = travel_document(found), travel_lines(found)
    else:
        comparison = compare(package_contents(old, product), package_contents(new, product), product)
        document, lines = comparison_document(comparison), comparison_lines(comparison)
    if as_json:
        import json

        click.echo(json.dumps(document, indent=2))
    else:
        click.echo("\n".join(lines))
