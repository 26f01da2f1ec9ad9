"""`imgseal paths`: who of the devices in the field can take a release, by the release log."""

from typing import TYPE_CHECKING

import click

from imgseal import __version__
from imgseal.console.options import ChosenProduct, as_of_option, product_options
from imgseal.errors import Place, UsageError
from imgseal.flow.as_released import wraps_release
from imgseal.workspace.archive import archived
from imgseal.workspace.judging import project_for
from imgseal.workspace.packages import load_package
from imgseal.workspace.staging import json_text

if TYPE_CHECKING:
    from imgseal.formats.log.entry import Line
    from imgseal.paths.fit import Maker
    from imgseal.paths.survey import Survey
    from imgseal.window import Bytes
    from imgseal.workspace.line import Products
    from imgseal.workspace.project import Project

_PAIRS = 500  # second cuts of each rehearsal


@click.command(
    "paths",
    epilog="""
\b
Examples:
  imgseal paths out/vent-drive-2.4.1-17.suit                       what the log alone says
  imgseal paths package.suit --archive released                    and by releases in between, with what it costs
  imgseal paths package.suit --archive released --nobody-behind    for CI
  imgseal paths package.suit --archive released --rehearse         played with power cuts
  imgseal paths package.suit --json                                for scripts

\b
Exit status 0 when it was answered; with --nobody-behind 1 when devices of a release have no way that is
known, with --rehearse 1 when an invariant does not hold or a way could not be played.
""",
)
@click.argument("package", metavar="PACKAGE")
@click.option("--archive", "folder", metavar="DIR", help="The packages of earlier releases lie below this folder.")
@click.option(
    "--nobody-behind", "nobody_behind", is_flag=True, help="Fail when devices of a release have no way to it."
)
@click.option("--rehearse", "rehearsed", is_flag=True, help="Play every way with power cuts; takes seconds for each.")
@as_of_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON (docs/format/paths.schema.json).")
@product_options
def command(
    package: str,
    folder: str | None,
    nobody_behind: bool,
    rehearsed: bool,
    as_of: str | None,
    as_json: bool,
    chosen: ChosenProduct,
) -> int:
    """Say for every release of the log whether its devices take PACKAGE: at once, through releases in between, or not.

    The judge answers for each, with the numbers, bootloader and trust anchors that the log has for these devices.
    Releases that were withdrawn are asked about too, since their devices are in the field; no way leads through them.
    """
    from imgseal.paths.text import survey_document, survey_lines, unplayed

    data = load_package(package)
    products = chosen._replace(channel=None).every()  # devices of other channels trust other keys, by the log
    bases = archived(folder, None) if wraps_release(data) else ()
    project = project_for(data, package, products, development=False, as_of=as_of, archive=bases)
    if rehearsed and folder is None:
        raise UsageError(
            "--rehearse needs the packages that devices run",
            expected="--archive DIR",
            hint="give the folder with the packages of earlier releases",
        )
    if chosen.channel is not None:
        project.in_channel(chosen.channel)  # refused where there is none
    found = survey_of(data, package, project, products, folder, as_of=as_of, pairs=_PAIRS if rehearsed else -1)
    if chosen.channel is not None:
        found = found._replace(rows=tuple(row for row in found.rows if row.release.channel == chosen.channel))
    document = survey_document(found, __version__)
    click.echo(json_text(document) if as_json else "\n".join(survey_lines(document)), nl=not as_json)
    return 1 if (nobody_behind and document["left_behind"]) or (rehearsed and unplayed(document)) else 0


def survey_of(
    data: "Bytes",
    name: str,
    project: "Project",
    products: "Products",
    folder: str | None,
    *,
    as_of: str | None,
    pairs: int = -1,
) -> "Survey":
    """Read log and archive of a project, and answer for a package; `pairs` are the second cuts of rehearsals, -1: none.

    UsageError where the product file states no log, or the log is missing.
    """
    from imgseal.paths.history import History
    from imgseal.paths.survey import Store, asked_about, survey
    from imgseal.workspace.archive import Archive
    from imgseal.workspace.verified_log import pinned_log, stated_log

    # one that was cut off would say that nobody is in the field
    history = History(pinned_log(project, stated_log(project)).entries())
    package = asked_about(data, name, project.product, history)
    if package.wraps and folder is None:
        raise UsageError(
            "who takes a delivery depends on what devices run",
            place=Place(file=name),
            expected="--archive DIR",
            hint="give the folder with the packages of earlier releases; or ask about the package of its release",
        )
    archive = Archive(folder)
    store = Store(archive.__contains__, archive.load, archive.path)
    return survey(package, history, _makers(project, products, as_of), store, pairs=pairs)


def _makers(project: "Project", products: "Products", as_of: str | None) -> "dict[Line, Maker]":
    """Return the product and its variants by class and variant: those of the log that the package's product has."""
    from imgseal.paths.fit import Maker
    from imgseal.workspace.clock import parse_day

    day = parse_day(as_of)
    return {
        (each.product.class_id, each.product.variant or ""): Maker(each.product, each.trust(), day)
        for each in products.projects
        if each.path == project.path
    }
