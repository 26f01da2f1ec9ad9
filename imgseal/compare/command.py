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

    Nothing is verified: use check for that.
    """
    from imgseal.compare.difference import compare
    from imgseal.compare.text import comparison_document, comparison_lines

    product = chosen.load().product
    comparison = compare(package_contents(old, product), package_contents(new, product), product)
    if as_json:
        import json

        click.echo(json.dumps(comparison_document(comparison), indent=2))
    else:
        click.echo("\n".join(comparison_lines(comparison)))
