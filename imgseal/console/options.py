"""Options that several commands take in the same words."""

from collections.abc import Callable
from functools import wraps
from typing import Any

import click

from imgseal.records import NamedTuple
from imgseal.workspace.project import PRODUCT_NAME, Project


class ChosenProduct(NamedTuple):
    """The product file that the command line names, if it names one, with what it says in its place."""

    file: str | None
    variant: str | None
    settings: tuple[str, ...]

    def load(self) -> Project:
        """Read it; UsageError or InputError says what is wrong where."""
        return Project.load(self.file, self.settings, self.variant)


def product_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --product, --variant and --set to a command, which gets them as `chosen`."""

    @wraps(command)
    def with_choice(
        *arguments: Any, product_file: str | None, variant: str | None, settings: tuple[str, ...], **options: Any
    ) -> Any:
        return command(*arguments, chosen=ChosenProduct(product_file, variant, settings), **options)

    made: Callable[..., Any] = with_choice
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
        made = option(made)
    return made


bill_option = click.option(
    "--sbom", metavar="FILE", help="The package names this bill of materials: CycloneDX JSON or SPDX JSON."
)
"""The bill of materials, for every command that packs."""


as_of_option = click.option(
    "--as-of", "as_of", metavar="DAY", help="Keys have to be in force on this day, YYYY-MM-DD; default today."
)
"""The day of a verdict, for every command that gives one."""
