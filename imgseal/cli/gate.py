"""`imgseal gate`: everything that a build has put out is sealed by the right keys, or the build fails."""

import sys
from typing import TYPE_CHECKING

import click

from imgseal.cli.gate_brief import Question, make_brief
from imgseal.cli.gate_walk import Problem, Task, walk
from imgseal.cli.progress import counter
from imgseal.cli.project import product_options
from imgseal.cli.signing import parse_day, today
from imgseal.flow.gate import Looked
from imgseal.flow.gate_run import Found, settle

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgseal.flow.gate import Brief
    from imgseal.report.gate_result import GateReport

__all__ = ["command"]

_SCAN = True  # measurements leave the search for private keys out


@click.command(
    "gate",
    epilog="""
\b
Examples:
  imgseal gate out                                  counters and sequence from the release log
  imgseal gate out --previous old/vent-drive-2.4.0-16.suit
  imgseal gate out release.zip --fresh              no devices in the field yet
  imgseal gate out --format junit --out gate.xml    for a build server

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
@click.option("--as-of", "as_of", metavar="DAY", help="Judge for this day, YYYY-MM-DD; default today.")
@click.option("--every", is_flag=True, help="List good artefacts and sources as well.")
@product_options
def command(
    paths: tuple[str, ...],
    device_file: str | None,
    previous: tuple[str, ...],
    fresh: bool,
    as_of: str | None,
    every: bool,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> int:
    """Find all firmware below the paths, in archives too, and fail unless each is sealed by release keys and good.

    Firmware is recognised by its content. What is not sealed has to be what a good sealed image was made of, or is
    refused; flat binaries are looked at where [gate] raw of the product file says so. Sequence and counters are those
    of the release log, of --previous or of --device.
    """
    day = today() if as_of is None else parse_day(as_of)
    project, brief = make_brief(product_file, settings, variant, Question(device_file, previous, fresh), day)
    report = _run(paths, brief._replace(scan=_SCAN), project.path)
    from imgseal.report.gate_text import gate_lines

    sys.stdout.write("\n".join(gate_lines(report, every=every)) + "\n")
    return 0 if report.passed else 1


def _run(paths: tuple[str, ...], brief: "Brief", product_file: str) -> "GateReport":
    tasks: list[Task | Problem] = list(walk(paths))
    files = sum(isinstance(task, Task) for task in tasks)
    return settle(
        _looked(tasks, brief),
        device=_devices(brief),
        product_file=product_file,
        exceptions=brief.settings[0].product.gate.exceptions,
        day=brief.day,
        files=files,
    )


def _devices(brief: "Brief") -> str:
    """Say for which devices, each answer once; variants of which nothing is known are refused one by one."""
    known = dict.fromkeys(setting.device for setting in brief.settings if setting.state is not None)
    return ", ".join(known) + f" on {brief.day}"


def _looked(tasks: "list[Task | Problem]", brief: "Brief") -> "Iterator[Found]":
    from imgseal.cli.gate_look import look_at

    show = counter("files")
    for number, task in enumerate(tasks, 1):
        if isinstance(task, Problem):
            yield Found(task.name, task.name, task.inside, Looked("path", (task.finding,)))
        else:
            yield from look_at(task, brief)
        show(number, len(tasks))
