"""The --sbom option of the commands that pack."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from imgseal.files import read_bounded
from imgseal.limits import SBOM_BYTES

if TYPE_CHECKING:
    from imgseal.sbom.bill import Bill

__all__ = ["bill_option", "load_bill"]

_Command = TypeVar("_Command", bound=Callable[..., Any])


def bill_option(command: _Command) -> _Command:
    """Add --sbom to a command."""
    return click.option(
        "--sbom", metavar="FILE", help="The package names this bill of materials: CycloneDX JSON or SPDX JSON."
    )(command)


def load_bill(path: str | None) -> "Bill | None":
    """Recognise a bill of materials; None where none is given."""
    if path is None:
        return None
    from imgseal.sbom.bill import read_bill

    return read_bill(read_bounded(path, "bill of materials", SBOM_BYTES), path)
