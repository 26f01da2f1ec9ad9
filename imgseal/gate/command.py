"""`imgseal gate`: everything that a build has put out is sealed by the right keys, or the build fails."""

import sys
from collections.abc import Callable

import click

from imgseal import __version__
from imgseal.console.options import ChosenProduct, product_options
from imgseal.errors import visible
from imgseal.gate.annotations import github_lines, gitlab_values
from imgseal.gate.discover import Task, discover
from imgseal.gate.junit import junit_text
from imgseal.gate.policy import excuses_of, make_policy, read_logs
from imgseal.gate.result import GateReport
from imgseal.gate.run import conclude
from imgseal.gate.sarif import sarif_document
from imgseal.gate.text import gate_document, gate_lines
from imgseal.gate.workers import scan_all
from imgseal.workspace.archive import archived
from imgseal.workspace.clock import parse_day
from imgseal.workspace.files import write_all
from imgseal.workspace.progress import counter
from imgseal.workspace.spread import processors, refuse_both
from imgseal.workspace.staging import Output, json_text

_FORMS: dict[str, Callable[[GateReport, bool], str]] = {
    "text": lambda report, every: "\n".join(gate_lines(report, every=every)) + "\n",
    "json": lambda report, _: json_text(gate_document(report, __version__)),
    "junit": lambda report, _: junit_text(report),
    "sarif": lambda report, _: json_text(sarif_document(report, __version__)),
    "github": lambda report, _: "\n".join(github_lines(report)) + "\n",
    "gitlab": lambda report, _: json_text(gitlab_values(report)),
}
"""What a report looks like; each ends in a line feed."""

_FIND_KEYS = True  # measurements leave the search for private keys out


@click.command(
    "gate",
    epilog="""
\b
Examples:
  imgseal gate out                                  counters and sequence from the release log
  imgseal gate out --previous old/vent-drive-2.4.0-16.suit
  imgseal gate out release.zip --fresh              no devices in the field yet
  imgseal gate out --format junit --out gate.xml    for a build server
  imgseal gate /archive --fresh --workers tcp://build-1:8786

\b
Exit status 0 when every artefact is good, the source of a good one, or excused; 1 when one is refused.
docs/gate.md explains what is looked at.
""",
)
@click.argument("paths", metavar="PATH...", nargs=-1, required=True)
@click.option("--device", "device_file", metavar="FILE", help="Judge for the device that this state file describes.")
@click.option(
    "--previous", multiple=True, metavar="PACKAGE", help="Judge for devices that have taken this package; repeatable."
)
@click.option("--fresh", is_flag=True, help="Judge for devices without firmware: there are none in the field.")
@click.option("--archive", metavar="DIR", help="Packages that devices may run: what deliveries start from.")
@click.option("--as-of", "as_of", metavar="DAY", help="Judge for this day, YYYY-MM-DD; default today.")
@click.option(
    "--format",
    "form",
    type=click.Choice(tuple(_FORMS)),
    default="text",
    show_default=True,
    help="What the report looks like.",
)
@click.option("--out", metavar="FILE", help="Write the report there, and the text to standard output.")
@click.option(
    "--jobs", type=click.IntRange(1, 256), metavar="N", help="Processes that look at files; default one a core."
)
@click.option(
    "--workers", metavar="ADDRESS", help="Let the workers of this Dask scheduler look at the files (imgseal[fleet])."
)
@click.option("--every", is_flag=True, help="List good artefacts, sources and what is passed over as well.")
@product_options
def command(
    paths: tuple[str, ...],
    device_file: str | None,
    previous: tuple[str, ...],
    fresh: bool,
    archive: str | None,
    as_of: str | None,
    form: str,
    out: str | None,
    jobs: int | None,
    workers: str | None,
    every: bool,
    chosen: ChosenProduct,
) -> int:
    """Find all firmware below the paths, in archives too, and fail unless each is sealed by release keys and good.

    Firmware is recognised by its content, flat binaries by a vector table that fits the memories of the product file.
    What is not sealed has to be what a good sealed image was made of, or is refused. Sequence and counters are those of
    the release log, of --previous or of --device.
    """
    day = parse_day(as_of)
    products = chosen.every()
    bases = archived(archive, device_file)
    policy = make_policy(products, day, device=device_file, previous=previous, no_devices=fresh, archive=bases)
    refuse_both(jobs, workers)
    # each answer once; variants of which nothing is known are refused one by one
    devices = ", ".join(dict.fromkeys(each.judge.device for each in policy.targets if each.known)).removesuffix(
        f" on {day}"
    )
    if products.is_line:
        devices = f"the devices of {len(products.members)} products of {products.path}"
    tasks = list(discover(paths))
    with scan_all(
        tasks, policy._replace(find_keys=_FIND_KEYS), jobs=jobs or processors(), workers=workers, show=counter("files")
    ) as scanned:
        report = conclude(
            scanned,
            logged=read_logs(products),  # while others are at work
            device=visible(f"{devices} on {day}"),
            product_file=visible(products.path),
            excuses=excuses_of(products),
            day=day,
            files=sum(isinstance(task, Task) for task in tasks),
        )
    written = _FORMS[form](report, every)
    if out is not None:
        files = {artefact.file for artefact in report.artefacts}
        scanned_files = [task.path for task in tasks if isinstance(task, Task) and task.name in files]
        given = [*paths, *previous, device_file, *scanned_files, *products.own_files()]
        write_all([Output(out, [written.encode("utf-8", "backslashreplace")])], given)
        written = _FORMS["text"](report, every)
    sys.stdout.write(written)
    return 0 if report.passed else 1
