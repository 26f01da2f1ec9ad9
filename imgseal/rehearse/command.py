"""`imgseal rehearse`: an installation played on a simulated device, with power cuts."""

import sys
import time
from typing import TYPE_CHECKING

import click

from imgseal.check.context import Context
from imgseal.console.options import ChosenProduct, as_of_option, product_options
from imgseal.errors import Place, UsageError
from imgseal.workspace.channels import refuse_without_channel
from imgseal.workspace.device_file import device_trust, load_device
from imgseal.workspace.judging import judge_of
from imgseal.workspace.packages import load_package, refuse_verdict, refuse_without_records
from imgseal.workspace.project import Project
from imgseal.workspace.staging import json_text

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from imgseal.device_state.device import DeviceState
    from imgseal.rehearse.life import Stage
    from imgseal.window import Bytes

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
    chosen: ChosenProduct,
) -> int:
    """Install PACKAGE on a simulated device, cut the power at every operation, and hold each life to ten invariants.

    Says what the device does, what it wears and how long it takes, and what was tried. An invariant that breaks is
    shown with what had happened, and is repeated by --replay.

    The package is judged first as `imgseal check` does: keys have to be in force, and it may not be below the release
    log, whatever --previous is. --device and --as-of name another device and another day, and the first line says so.
    """
    from imgseal.rehearse.play import rehearse
    from imgseal.rehearse.stage import set_up
    from imgseal.rehearse.text import rehearsal_document, rehearsal_lines

    project = chosen.load()
    if device_file is None and not development:
        refuse_without_channel(project, "the device is of")
    refuse_without_records(project)
    data = load_package(package)
    state, contents, device = rehearsal_device(project, device_file, previous, development=development)
    judge_one = judge_of(project, device_file, development=development, as_of=as_of)
    refuse_verdict(judge_one(data, package, partial=True), package)
    if as_of is not None:
        device += f", judged for {judge_one.context.day}"
    trust, _ = device_trust(project, state, device_file, development=development)
    stage = set_up(Context(project.product, trust, state, contents, development=development), data)
    refuse_verdict(stage.verdict, package)
    if replay is not None:
        return _replay(stage, data, replay)
    count = None if pairs == "all" else _count(pairs)
    rehearsal = rehearse(stage, data, pairs=count, seed=seed, progress=_progress())
    if as_json:
        click.echo(json_text(rehearsal_document(rehearsal, package, device)), nl=False)
    else:
        click.echo("\n".join(rehearsal_lines(rehearsal, package, device)))
    return 0 if rehearsal.violation is None else 1


def rehearsal_device(
    project: Project, device_file: str | None, previous: str | None, *, development: bool
) -> "tuple[DeviceState, Mapping[str, Bytes], str]":
    """Return the device to rehearse on, what its slots hold, and words for it."""
    if device_file is not None and previous is not None:
        raise UsageError("--device and --previous name two devices", hint="give one of them")
    if device_file is not None:
        state, contents = load_device(project, device_file)
        return state, contents, f"the device of {device_file}"
    from imgseal.device_state.device import fresh
    from imgseal.device_state.fielded import LOG
    from imgseal.window import ByteView
    from imgseal.workspace.fielded import logged_bootloaders, logged_floors

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
    applied = apply(Context(project.product, trust, state, {}, development=development), load_package(previous))
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
    explorer = Explorer(stage, data, token.seed, Programs())
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
