"""`imgseal rehearse`: an installation played on a simulated device, with power cuts."""

import sys
import time
from typing import TYPE_CHECKING

import click

from imgseal.cli.check import as_of_option, device_trust, judge_of, load_device
from imgseal.cli.project import Project, product_options
from imgseal.errors import Place, RefusedError, UsageError
from imgseal.files import load_artefact
from imgseal.findings import NOT_RUN

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from imgseal.check.context import Bytes
    from imgseal.findings import Verdict
    from imgseal.rehearse.stage import Stage
    from imgseal.state.device import DeviceState

__all__ = ["command", "load_package", "refuse_verdict", "refuse_without_records", "rehearsal_device"]

_PAIRS = 2000


@click.command(
    "rehearse",
    epilog="""
\b
Examples:
  imgseal rehearse out/vent-drive-2.4.1-17.suit --previous old/vent-drive-2.4.0-16.suit
  imgseal rehearse package.suit --device unit.json        a device as it is
  imgseal rehearse package.suit                           a device without firmware
  imgseal rehearse package.suit --device unit.json --pairs 20000
  imgseal rehearse package.suit --device unit.json --pairs all --json

\b
Exit status 0 when every invariant holds, 1 when one does not or the device refuses the package.
""",
)
@click.argument("package", metavar="PACKAGE")
@click.option("--device", "device_file", metavar="FILE", help="The device that this state file describes.")
@click.option("--previous", metavar="PACKAGE", help="A device that has installed this package and settled.")
@click.option(
    "--pairs", metavar="COUNT", default=str(_PAIRS), show_default=True, help="Second cuts to try, a number or all."
)
@click.option("--seed", default="1", show_default=True, help="Decides where operations tear and what torn flash reads.")
@click.option("--replay", metavar="TOKEN", help="Play one run again, as a violation names it.")
@as_of_option
@click.option("--development", is_flag=True, help="Admit development images and keys.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@product_options
def command(
    package: str,
    device_file: str | None,
    previous: str | None,
    pairs: str,
    seed: str,
    replay: str | None,
    as_of: str | None,
    development: bool,
    as_json: bool,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> int:
    """Install PACKAGE on a simulated device, cut the power at every operation, and hold each life to ten invariants.

    Says what the device does, what it wears and how long it takes, and what was tried. An invariant that breaks is
    shown with what had happened, and is repeated by --replay.

    The package is judged first as `imgseal check` does: keys have to be in force, and it may not be below the release
    log, whatever --previous is. --device and --as-of name another device and another day, and the first line says so.
    """
    from imgseal.rehearse.play import rehearse
    from imgseal.rehearse.stage import set_up
    from imgseal.report.rehearsal import rehearsal_document, rehearsal_lines

    project = Project.load(product_file, settings, variant)
    refuse_without_records(project)
    data = load_package(package)
    state, contents, device = rehearsal_device(project, device_file, previous, development=development)
    judge_one = judge_of(project, device_file, development=development, as_of=as_of)
    refuse_verdict(judge_one(data, package, partial=True), package)
    if as_of is not None:
        device += f", judged for {judge_one.day}"
    trust, _ = device_trust(project, state, device_file, development=development)
    stage = set_up(project.product, trust, state, contents, data, development=development)
    refuse_verdict(stage.verdict, package)
    if replay is not None:
        return _replay(stage, data, replay)
    count = None if pairs == "all" else _count(pairs)
    rehearsal = rehearse(stage, data, pairs=count, seed=seed, progress=_progress())
    if as_json:
        import json

        click.echo(json.dumps(rehearsal_document(rehearsal, package, device), indent=2, ensure_ascii=False))
    else:
        for line in rehearsal_lines(rehearsal, package, device):
            click.echo(line)
    return 0 if rehearsal.violation is None else 1


def refuse_without_records(project: Project) -> None:
    """UsageError when the product file has no slot for install records, without which no device can be simulated."""
    if project.product.slot_holding("records") is None:
        raise UsageError(
            "the product file has no slot for install records",
            place=Place(file=project.path, key="slot"),
            expected='a slot in trusted flash with holds = "records"',
            hint="docs/format/install-record.md says what a device keeps there, and how large it has to be",
        )


def load_package(path: str) -> "Bytes":
    """Read an update package; RefusedError for a file that is none at all."""
    from imgseal.check.judge import judge_unrecognised, kind_of

    data = load_artefact(path)
    if kind_of(data) is None:
        refuse_verdict(judge_unrecognised(data, path, "a device"), path)
    return data


def refuse_verdict(verdict: "Verdict", package: str) -> None:
    """RefusedError with the first finding, unless the package was accepted."""
    if verdict.accepted:
        return
    if not verdict.findings:  # a check that did not run is no pass
        check = next(check for check in verdict.checks if check.outcome == NOT_RUN and check.mandatory)
        raise RefusedError(
            f"the device cannot judge this: the check {check.name} did not run: {check.because}",
            place=Place(file=package),
            hint="give a device state that says what its slots hold",
        )
    finding = verdict.findings[0]
    kind = "file" if verdict.kind == "unknown" else verdict.kind
    raise RefusedError(
        f"the device refuses this {kind}: {finding.code}: {finding.message}",
        place=finding.place._replace(file=package),
        expected=finding.expected,
        found=finding.found,
        hint=finding.hint or "imgseal check says more",
    )


def rehearsal_device(
    project: Project, device_file: str | None, previous: str | None, *, development: bool
) -> "tuple[DeviceState, Mapping[str, Bytes], str]":
    """Return the device to rehearse on, what its slots hold, and words for it."""
    if device_file is not None and previous is not None:
        raise UsageError("--device and --previous name two devices", hint="give one of them")
    if device_file is not None:
        state, contents = load_device(project, device_file)
        return state, contents, f"the device of {device_file}"
    from imgseal.cli.fielded import logged_bootloaders
    from imgseal.cli.release_log import logged_floors
    from imgseal.memory.view import ByteView
    from imgseal.state.device import fresh
    from imgseal.state.fielded import LOG

    state = fresh(project.product)._replace(hardware=project.product.hardware[0], fresh=False)
    known = None if development else logged_bootloaders(project, logged_floors(project))
    oldest = ""
    if known is not None and known.source == LOG and known.oldest is not None:
        state = state._replace(bootloader=known.oldest)
        oldest = f", with the oldest bootloader that is logged ({known.oldest})"
    if previous is None:
        return state, {}, f"a device without firmware{oldest}"
    from imgseal.rehearse.apply import apply

    trust = project.trust(development=development)
    applied = apply(project.product, trust, state, {}, load_package(previous), development=development)
    refuse_verdict(applied.verdict, previous)
    slots = {name: ByteView(content) for name, content in applied.slots.items()}
    return applied.state, slots, f"a device that runs {previous}{oldest}"


def _count(text: str) -> int:
    if not text.isdecimal() or len(text) > 9:
        raise UsageError(
            "--pairs takes a number, or all", found=text, hint="for example: --pairs 20000, or --pairs all"
        )
    return int(text)


def _replay(stage: "Stage", data: "Bytes", text: str) -> int:
    from imgseal.rehearse.explore import Explorer, Token
    from imgseal.rehearse.life import Programs

    try:
        token = Token.parse(text)
    except ValueError:
        raise UsageError(
            "this is no run to replay",
            place=Place(key="--replay"),
            expected="SEED:SCENARIO:CUTS as a violation names it, such as 1:healthy-kept:417.12",
            found=text,
            hint="copy it from the line that begins with: again",
        ) from None
    explorer = Explorer(stage.facts, stage.moment, stage.oracle, data, token.seed, Programs())
    violation, events = explorer.replay(token)
    for event in events:
        click.echo(event)
    click.echo("every invariant holds" if violation is None else f"{violation.invariant}: {violation.message}")
    return 0 if violation is None else 1


def _progress() -> "Callable[[int, int], None]":
    """Return what shows progress on a terminal, and is silent elsewhere."""
    if not sys.stderr.isatty():
        return lambda _done, _all: None
    following = [time.monotonic() + 1.0]

    def show(done: int, everything: int) -> None:
        now = time.monotonic()
        if now >= following[0] or (done == everything and following[0] > 0):
            following[0] = now + 0.2
            sys.stderr.write(f"\r{done} of {everything} cuts" if done < everything else "\r\x1b[K")
            sys.stderr.flush()

    return show
