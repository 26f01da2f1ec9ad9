"""Options that several commands take in the same words."""

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any

import click

from imgseal.errors import Place, UsageError
from imgseal.limits import LOG_REASON
from imgseal.records import NamedTuple
from imgseal.workspace.files import PRODUCT_NAME
from imgseal.workspace.project import Project

if TYPE_CHECKING:
    from imgseal.workspace.line import Products


class ChosenProduct(NamedTuple):
    """The product file that the command line names, if it names one, with what it says in its place."""

    file: str | None
    variant: str | None
    settings: tuple[str, ...]
    channel: str | None = None

    def load(self) -> Project:
        """Read it; UsageError or InputError says what is wrong where."""
        project = Project.load(self.file, self.settings, self.variant)
        return project if self.channel is None else project.in_channel(self.channel)

    def every(self) -> "Products":
        """Read it and its variants, or all members of the product line that is named or nearest."""
        from imgseal.workspace.line import load_products  # noqa: PLC0415 - most commands are for one product

        return load_products(self.file, self.settings, self.variant, self.channel)


def product_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --product, --variant, --channel and --set to a command, which gets them as `chosen`."""
    channel = click.option("--channel", metavar="NAME", help="For devices of [channel.NAME] of the product file.")
    replaced = click.option(
        "--set",
        "settings",
        multiple=True,
        metavar="KEY=VALUE",
        help="Replace release.version, release.sequence, component.NAME.version or component.NAME.counter.",
    )
    return _with_product((replaced, channel), command)


def product_options_of_package(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --product and --variant alone, to a command that takes all else from a package."""
    return _with_product((), command)


def _with_product(more: tuple[Callable[..., Any], ...], command: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(command)
    def with_choice(
        *arguments: Any,
        product_file: str | None,
        variant: str | None,
        settings: tuple[str, ...] = (),
        channel: str | None = None,
        **options: Any,
    ) -> Any:
        return command(*arguments, chosen=ChosenProduct(product_file, variant, settings, channel), **options)

    made: Callable[..., Any] = with_choice
    for option in (
        *more,
        click.option("--variant", metavar="NAME", help="Use [variant.NAME] of the product file."),
        click.option(
            "--product",
            "product_file",
            metavar="FILE|NAME",
            help="Use this product file, or the member of the product line with this product.name, instead of the "
            f"nearest {PRODUCT_NAME}.",
        ),
    ):
        made = option(made)
    return made


bill_option = click.option(
    "--sbom", metavar="FILE", help="The package names this bill of materials: CycloneDX JSON or SPDX JSON."
)
"""The bill of materials, for every command that packs."""


again_option = click.option(
    "--again", metavar="WHY", help="Release a version again, or a lower one; the log keeps why."
)
unrecorded_option = click.option(
    "--unrecorded", metavar="WHY", help="Release what no source revision names; the log keeps why."
)
"""What has to be said of a release that would be refused, for every command that makes one."""


def reason(text: str | None, option: str) -> str:
    """Return what an option gives as a reason; UsageError where a log could not hold it."""
    if text is None:
        return ""
    said = len(text.strip()) > 0 and len(text) <= LOG_REASON
    if not said or not text.isascii() or not text.isprintable() or set(text) & {'"', "\\"}:
        raise UsageError(
            "the release log cannot hold this reason",
            place=Place(key=option),
            expected=f"1 to {LOG_REASON} printable ASCII characters without quotation mark and backslash",
            found=text[:80],
            hint="say it in a few plain words",
        )
    return text


as_of_option = click.option(
    "--as-of", "as_of", metavar="DAY", help="Keys have to be in force on this day, YYYY-MM-DD; default today."
)
"""The day of a verdict, for every command that gives one."""
