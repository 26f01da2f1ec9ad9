"""`imgseal report`: everything about a release on one page, for people, with its evidence; or the same as JSON."""

import os
from typing import TYPE_CHECKING

import click

from imgseal import __version__
from imgseal.check.context import Context
from imgseal.check.judge import kind_of
from imgseal.console.options import ChosenProduct, as_of_option, product_options
from imgseal.errors import Place, RefusedError, UsageError
from imgseal.flow.as_released import wraps_release
from imgseal.workspace.archive import archived
from imgseal.workspace.clock import build_time, day_of, today
from imgseal.workspace.files import load_artefact, write_all
from imgseal.workspace.judging import as_released, judge_of, project_for
from imgseal.workspace.key_files import quoted
from imgseal.workspace.packages import package_contents, refuse_verdict, refuse_without_records
from imgseal.workspace.project import Project
from imgseal.workspace.released import released_of
from imgseal.workspace.staging import Output

if TYPE_CHECKING:
    from imgseal.report.inputs import Material
    from imgseal.window import ByteView

_PAIRS = 500  # second cuts: all of them would take minutes; rehearse --pairs all tries them


@click.command(
    "report",
    epilog="""
\b
Examples:
  imgseal report out/vent-drive-2.4.1-17.suit --out report.html
  imgseal report package.suit --previous old.suit --rehearse --out report.html
  imgseal report package.suit --device unit.json --out report.html
  imgseal report package.suit --format json --out report.json

\b
Exit status 0 when the package is accepted and, with --rehearse, every invariant holds (with --cuts for all that
was asked), else 1;
the report is written all the same, and says why a rehearsal could not be played.
""",
)
@click.argument("package", metavar="PACKAGE")
@click.option("--out", required=True, metavar="FILE", help="The report.")
@click.option("--device", "device_file", metavar="FILE", help="Judge for the device that this state file describes.")
@click.option("--previous", metavar="PACKAGE", help="Say what changes since this release, and judge for its devices.")
@click.option("--archive", "folder", metavar="DIR", help="The packages of earlier releases lie below this folder.")
@click.option("--rehearse", "rehearsed", is_flag=True, help="Play the installation with power cuts; takes seconds.")
@click.option("--cuts", metavar="COUNT", help="With --rehearse: every sequence of cuts too, as rehearse --cuts.")
@click.option(
    "--format", "form", type=click.Choice(("html", "json")), default="html", show_default=True, help="What to write."
)
@click.option("--development", is_flag=True, help="Admit development images and keys.")
@as_of_option
@product_options
def command(
    package: str,
    out: str,
    device_file: str | None,
    previous: str | None,
    folder: str | None,
    rehearsed: bool,
    cuts: str | None,
    form: str,
    development: bool,
    as_of: str | None,
    chosen: ChosenProduct,
) -> int:
    """Write a report on an update package: verdict, memory map, checks, signers, changes, rehearsal, evidence.

    The page is one file that loads nothing and runs no script. Without --device and --previous the verdict is for a
    fresh device, or one with the numbers of the release log where one is kept. The evidence is not legal advice.
    """
    from imgseal.report.document import report_document
    from imgseal.report.printable import printable
    from imgseal.report.report_inputs import gather

    if cuts is not None and not rehearsed:
        raise UsageError("--cuts does nothing without --rehearse", found="--cuts alone", hint="add --rehearse")
    data = _package(package)
    products = chosen.every()
    bases: tuple[str, ...] = ()
    if device_file is None and wraps_release(data):
        bases = archived(folder, None) if previous is None else (previous,)
    if device_file is None:
        project = project_for(data, package, products, development=development, as_of=as_of, archive=bases)
    else:
        project = products.one()[0]
    before = None if previous is None else package_contents(previous, project.product)
    asked = judge_of(project, device_file, development=development, as_of=as_of, before=before)
    context, device, *_ = asked.meant_for(data)
    context = context._replace(partial=context.state.fresh)  # as check: what is left out may be there
    material = gather(data, package, context, tool=__version__, device=device)
    if bases:
        verdict, its = asked._replace(archive=bases).by_archive(material.verdict, data)
        if its is not None:  # of a device that has what it starts from
            context, device = its, verdict.device
            material = gather(data, package, context, tool=__version__, device=device)
        material = material._replace(verdict=verdict)
    if not development:
        verdict = as_released(material.verdict, data, project.product, released_of(project))
        material = material._replace(verdict=verdict)
    made = day_of(build_time()) if "SOURCE_DATE_EPOCH" in os.environ else today()
    material = material._replace(made=made, logged=_logged(project, material))
    if before is not None and material.contents is not None:
        from imgseal.compare.difference import compare

        material = material._replace(comparison=compare(before, material.contents, project.product))
    if not development:
        material = _with_paths(material, project, chosen, data, folder, as_of=as_of)
    if rehearsed:
        played_on = project._replace(product=context.product)
        material = _rehearsed(material, played_on, data, device_file, previous, cuts, development=development)
        if material.not_rehearsed is not None:
            click.echo(printable(f"not rehearsed: {material.not_rehearsed}"), err=True)
    document = report_document(material)
    write_all([Output(out, [_written(document, form)])], [package, device_file, previous, *project.own_files()])
    click.echo(printable(f"{document['verdict']['verdict']}, for {device}: {out}"))
    held = not rehearsed or (material.rehearsal is not None and material.rehearsal.holds)
    explored = document["explored"]
    answered = not isinstance(explored, dict) or explored["holds"]
    return 0 if material.verdict.accepted and held and answered else 1


def _package(path: str) -> "ByteView":
    data = load_artefact(path)
    kind = kind_of(data)
    if kind == "update package":
        return data
    raise UsageError(
        "a report is about an update package",
        place=Place(file=path),
        expected="a SUIT envelope",
        found=f"a {kind}" if kind is not None else "neither sealed nor packed",
        hint=f"imgseal check {quoted(path)} judges it" if kind is not None else "imgseal build makes a package",
    )


def _written(document: dict[str, object], form: str) -> bytes:
    if form == "json":
        import json

        return (json.dumps(document, indent=2, ensure_ascii=True) + "\n").encode("ascii")
    from imgseal.report.page import render

    return render(document).encode("utf-8", "backslashreplace")


def _logged(project: Project, material: "Material") -> str | None:
    """Say which entry of the release log the package is; "" for none, None where no log is kept."""
    path = project.log_path
    if path is None:
        return None
    if material.contents is None or not os.path.lexists(path):
        return ""
    from imgseal.workspace.verified_log import verified_log

    log = verified_log(path)
    entry = log.of_manifest(material.contents.manifest_digest)
    return f"entry {entry.number} of {path}, head {log.head}" if entry is not None else ""


def _with_paths(
    material: "Material",
    project: Project,
    chosen: ChosenProduct,
    data: "ByteView",
    folder: str | None,
    *,
    as_of: str | None,
) -> "Material":
    """Add who of the devices in the field can take the package, where a log says who is there."""
    if material.contents is None or project.log_path is None or not os.path.lexists(project.log_path):
        return material
    if folder is None and wraps_release(data):
        return material  # who takes it depends on what devices run
    from imgseal.paths.command import survey_of

    products = chosen._replace(channel=None).every()
    return material._replace(paths=survey_of(data, material.name, project, products, folder, as_of=as_of))


def _rehearsed(
    material: "Material",
    project: Project,
    data: "ByteView",
    device_file: str | None,
    previous: str | None,
    cuts: str | None,
    *,
    development: bool,
) -> "Material":
    """Play the installation on the device given, else on one before it; say why where it cannot be played."""
    from imgseal.rehearse.command import (
        LIVES,
        asked_cuts,
        explore_all,
        refuse_worse_with_cuts,
        rehearsal_device,
        spread_over,
    )
    from imgseal.rehearse.cuts import Asking
    from imgseal.rehearse.life import Programs
    from imgseal.rehearse.play import rehearse
    from imgseal.rehearse.stage import set_up

    if cuts is not None:
        refuse_worse_with_cuts(project)
    if not material.verdict.accepted:
        return material._replace(not_rehearsed="the package is refused")
    if device_file is not None:
        previous = None
    try:
        refuse_without_records(project)
        state, held, device = rehearsal_device(project, device_file, previous, development=development)
        stage = set_up(Context(project.product, material.trust, state, held, development=development), data)
        refuse_verdict(stage.verdict, material.name)
    except (UsageError, RefusedError) as error:
        where = f"{error.place.file}: " if error.place.file else ""
        return material._replace(not_rehearsed=where + error.message)
    played = rehearse(stage, data, pairs=_PAIRS, seed="1", spread=spread_over())
    material = material._replace(rehearsal=played, rehearsed_on=device)
    if cuts is None:
        return material
    asking = Asking(stage, data, Programs(), asked_cuts(cuts), LIVES, changing=False)
    return material._replace(explored=explore_all(asking, None), cuts=asking.cuts)
