"""Options that several commands take in the same words."""

from collections.abc import Callable
from typing import Any, TypeVar

import click

from imgseal.workspace.project import PRODUCT_NAME

_Command = TypeVar("_Command", bound=Callable[..., Any])


def product_options(command: _Command) -> _Command:
    """Add --product, --variant and --set to a command."""
    for option in (
        click.option(
            "--set",
            "settings",
            multiple=True,
            metavar="KEY=VALUE",
            help="Replace release.version, release.sequence, component.NAME.version or component.NAME.counter.",
        ),
        click.option("--variant", metavar="NAME", help="Use [variant.NAME] of the product file."),
        click.option(
            "--product",
            "product_file",
            metavar="FILE",
            help=f"Use this product file instead of the nearest {PRODUCT_NAME}.",
        ),
    ):
        command = option(command)
    return command


def bill_option(command: _Command) -> _Command:
    """Add --sbom to a command."""
    return click.option(
        "--sbom", metavar="FILE", help="The package names this bill of materials: CycloneDX JSON or SPDX JSON."
    )(command)


as_of_option = click.option(
    "--as-of", "as_of", metavar="DAY", help="Keys have to be in force on this day, YYYY-MM-DD; default today."
)
"""The day of a verdict, for every command that gives one."""
