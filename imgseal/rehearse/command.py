"""`imgseal rehearse`: an installation played on a simulated device, with power cuts."""

import sys
import time
from contextlib import ExitStack
from functools import partial
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from imgseal.check.context import Context
from imgseal.check.held import leaves_out
from imgseal.console.options import ChosenProduct, as_of_option, product_options
from imgseal.errors import Place, UsageError
from imgseal.product.flash_behaviours import PAGE, PARALLEL, UNEVEN
from imgseal.workspace.channels import refuse_without_channel
from imgseal.workspace.device_file import device_trust, load_device
from imgseal.workspace.judging import judge_of
from imgseal.workspace.packages import load_package, refuse_verdict, refuse_without_records
from imgseal.workspace.progress import counter
from imgseal.workspace.project import Project
from imgseal.workspace.spread import fleet, in_processes, on_fleet, processors, refuse_both, threads
from imgseal.workspace.staging import json_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from imgseal.device_state.device import DeviceState
    from imgseal.product.model import Product
    from imgseal.rehearse.cuts import Asking
    from imgseal.rehearse.cuts_text import Explored
    from imgseal.rehearse.explore import Cuts, Explorer, Outcome, Spread
    from imgseal.rehearse.forecast import Forecast
    from imgseal.rehearse.life import Stage
    from imgseal.rehearse.play import Rehearsal
    from imgseal.rehearse.worse import Worse
    from imgseal.window import Bytes

_PAIRS = 2000
LIVES = 200_000
_WORTH_SAYING = 3.0
"""Seconds from which on it is said beforehand how long it may take."""

_ALONE = 300
"""As many cuts are not worth another process."""


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
  imgseal rehearse package.suit --device unit.json --cuts any
  imgseal rehearse package.suit --device unit.json --flash worst --pairs 200

\b
Exit status 0 when every invariant holds, 1 when one does not, the device refuses the package, or has it already.
""",
)
@click.argument("package", metavar="PACKAGE")
@click.option("--device", "device_file", metavar="FILE", help="The device that this state file describes.")
@click.option("--previous", metavar="PACKAGE", help="A device that has installed this package and settled.")
@click.option(
    "--pairs", metavar="COUNT", default=str(_PAIRS), show_default=True, help="Second cuts to try, a number or all."
)
@click.option(
    "--cuts", metavar="COUNT", help="Play every sequence of so many cuts, or of any number (any), in place of pairs."
)
@click.option(
    "--lives", type=click.IntRange(1), default=LIVES, show_default=True, help="Lives to play with --cuts, at most."
)
@click.option("--changing", is_flag=True, help="With --cuts: what is torn may change once between two resets.")
@click.option(
    "--flash", metavar="NAME", help="Play flash that is worse as well: one behaviour, by its name, or all (worst)."
)
@click.option("--seed", default="1", show_default=True, help="Decides where operations tear and what torn flash reads.")
@click.option("--replay", metavar="TOKEN", help="Play one run again, as a violation names it.")
@click.option("--jobs", type=click.IntRange(1, 256), metavar="N", help="Processes that play; default one a core.")
@click.option("--workers", metavar="ADDRESS", help="Let the workers of this Dask scheduler play (imgseal[fleet]).")
@as_of_option
@click.option("--development", is_flag=True, help="Admit development images and keys.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@product_options
def command(
    package: str,
    device_file: str | None,
    previous: str | None,
    pairs: str,
    cuts: str | None,
    lives: int,
    changing: bool,
    flash: str | None,
    seed: str,
    replay: str | None,
    jobs: int | None,
    workers: str | None,
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
    from imgseal.rehearse.cuts import Asking
    from imgseal.rehearse.life import Programs
    from imgseal.rehearse.play import rehearse
    from imgseal.rehearse.stage import set_up
    from imgseal.rehearse.worse import named, play

    refuse_both(jobs, workers)
    if device_file is not None and previous is not None:
        raise UsageError("--device and --previous name two devices", hint="give one of them")
    _refuse_idle(cuts)
    behaviours = () if flash is None else named(flash)
    project = chosen.load()
    if device_file is None and not development:
        refuse_without_channel(project, "the device is of")
    refuse_without_records(project)
    data = load_package(package)
    judge_one = judge_of(project, device_file, development=development, as_of=as_of)
    layout = judge_one.context.layout
    project = project._replace(product=judge_one.context.product)
    state, contents, device = rehearsal_device(project, device_file, previous, development=development)
    if previous is not None and leaves_out(data):
        judge_one = judge_one.holding(state, contents)
    if layout is not None:
        device += f", laid out as {layout.words}"
    refuse_verdict(judge_one(data, package, partial=True), package)
    if as_of is not None:
        device += f", judged for {judge_one.context.day}"
    trust, _ = device_trust(project, state, device_file, development=development)
    context = Context(project.product, trust, state, contents, development=development)
    stage = set_up(context, data)
    refuse_verdict(stage.verdict, package)
    if replay is not None:
        return _replay(stage, data, replay) if flash is None else _replay_worse(flash, context, data, replay)
    if cuts is not None:
        if workers is not None:
            raise UsageError("--cuts plays on this machine", found="--workers", hint="leave --workers out")
        refuse_worse_with_cuts(project)
        asking = Asking(stage, data, Programs(), asked_cuts(cuts), lives, changing)
        return show_cuts(asking, package, device, jobs, as_json=as_json)
    count = None if pairs == "all" else _count(pairs)
    spread, announce = spread_over(jobs, workers), _announcing(jobs or processors())
    rehearsal = rehearse(
        stage, data, pairs=count, seed=seed, progress=counter("lives"), spread=spread, announce=announce
    )
    worse = [
        play(name, context, data, pairs=count, seed=seed, progress=counter(f"lives, {name}"), spread=spread)
        for name in (behaviours if rehearsal.holds else ())
    ]
    _say(rehearsal, worse, project.product, package, device, as_json=as_json)
    return 0 if rehearsal.holds and all(each.violation is None for each in worse) else 1


def _say(
    rehearsal: "Rehearsal", worse: "list[Worse]", product: "Product", package: str, device: str, *, as_json: bool
) -> None:
    from imgseal.rehearse.text import rehearsal_document, rehearsal_lines
    from imgseal.rehearse.worse_text import worse_document, worse_lines

    if as_json:
        document = {**rehearsal_document(rehearsal, package, device), "flash": worse_document(product, worse)}
        document["holds"] = rehearsal.holds and all(each.violation is None for each in worse)
        click.echo(json_text(document), nl=False)
    else:
        lines = (*rehearsal_lines(rehearsal, package, device), *worse_lines(product, worse))
        click.echo("\n".join(lines))


def rehearsal_device(
    project: Project, device_file: str | None, previous: str | None, *, development: bool
) -> "tuple[DeviceState, Mapping[str, Bytes], str]":
    """Return the device to rehearse on, what its slots hold, and words for it."""
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


def _refuse_idle(cuts: str | None) -> None:
    """UsageError for an option that would do nothing: --cuts and --pairs are two ways to play."""
    context = click.get_current_context()
    for name in ("pairs", "seed", "flash") if cuts is not None else ("lives", "changing"):
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE:
            raise UsageError(
                f"--{name} does nothing {'with' if cuts is not None else 'without'} --cuts",
                expected="--pairs, --seed and --flash, or --cuts with --lives and --changing",
                found=f"--{name} {'and --cuts' if cuts is not None else 'alone'}",
                hint=f"leave --{name} out" if cuts is not None else f"leave --{name} out, or add --cuts any",
            )


def refuse_worse_with_cuts(project: Project) -> None:
    """UsageError where a memory tears in ways that --cuts does not play."""
    for memory in project.product.memories.values():
        unplayed = [name for name in memory.behaves if name in (PARALLEL, PAGE, UNEVEN)]
        if unplayed:
            raise UsageError(
                f"--cuts does not play flash that behaves so: {', '.join(unplayed)}",
                place=Place(file=project.path, key=f"memory.{memory.name}.behaves"),
                expected="flash whose program calls tear in order, and whose blocks are erased as a whole",
                found=", ".join(memory.behaves),
                hint="leave --cuts out: --pairs plays it",
            )


def _count(text: str, option: str = "--pairs", word: str = "all") -> int:
    if not text.isdecimal() or len(text) > 9:
        some = 20000 if word == "all" else 2
        raise UsageError(
            f"{option} takes a number, or {word}",
            expected=f"a number from 0 to 999999999, or {word}",
            found=text,
            hint=f"for example: {option} {some}, or {option} {word}",
        )
    return int(text)


def asked_cuts(text: str) -> int | None:
    """Read --cuts: a number, or None for any; UsageError for another text."""
    return None if text == "any" else _count(text, "--cuts", "any")


def show_cuts(asking: "Asking", package: str, device: str, jobs: int | None, *, as_json: bool) -> int:
    """Explore every sequence of power cuts, and say how far that came."""
    from imgseal.rehearse.cuts_text import cuts_document, cuts_lines, journal_keeps, was_answered

    explored = explore_all(asking, jobs)
    holds, keeps = was_answered(explored, asking.cuts), journal_keeps(asking.stage.facts.product)
    if as_json:
        document = cuts_document(explored, package, device, keeps, changing=asking.changing, holds=holds)
        click.echo(json_text(document), nl=False)
    else:
        click.echo("\n".join(cuts_lines(explored, package, device, keeps, changing=asking.changing)))
    return 0 if holds else 1


def explore_all(asking: "Asking", jobs: int | None) -> "tuple[Explored, ...]":
    """Explore both kinds of set, each in a process of its own where there are two processors."""
    from imgseal.rehearse.cuts import explore, in_turn

    with ExitStack() as stack:
        many = min(jobs or processors(), 2) > 1
        return explore(asking, partial(in_processes, stack, 2) if many else in_turn)


def _replay(stage: "Stage", data: "Bytes", text: str, play_with: "type[Explorer] | None" = None) -> int:
    from imgseal.rehearse import sequence
    from imgseal.rehearse.explore import Explorer, Token
    from imgseal.rehearse.life import Programs
    from imgseal.rehearse.play import undisturbed
    from imgseal.rehearse.text import NOTHING_TO_PLAY

    try:
        if sequence.is_token(text):
            healthy, sessions = sequence.parse(text)
            broken, events = sequence.replay(stage, data, healthy=healthy, sessions=sessions)
            click.echo("\n".join((*events, "every invariant holds" if broken is None else str(broken))))
            return 0 if broken is None else 1
        token = Token.parse(text)
    except ValueError:
        raise UsageError(
            "this is no run to replay",
            place=Place(key="--replay"),
            expected="SEED:SCENARIO:CUTS as a violation names it, such as 1:healthy-kept:417.12",
            found=text,
            hint="copy it from the line that begins with: again",
        ) from None
    if not undisturbed(stage, data).worked:
        click.echo(NOTHING_TO_PLAY)
        return 1
    explorer = (play_with or Explorer)(stage, data, token.seed, Programs())
    violation, events = explorer.replay(token)
    for event in events:
        click.echo(event)
    click.echo("every invariant holds" if violation is None else f"{violation.invariant}: {violation.message}")
    return 0 if violation is None else 1


def _replay_worse(flash: str, context: Context, data: "Bytes", text: str) -> int:
    from imgseal.rehearse.worse import case_named

    case = case_named(flash, context, data)
    return _replay(case.stage, data, text, case.explorer)


def _announcing(jobs: int) -> "Callable[[Forecast], None]":
    """Return what says on a terminal how long it may take, where that is more than a few seconds."""
    if not sys.stderr.isatty():
        return lambda _forecast: None
    began = time.monotonic()

    def announce(forecast: "Forecast") -> None:
        seconds = forecast.seconds(time.monotonic() - began, jobs)
        if seconds > _WORTH_SAYING:
            line = f"{forecast.lives} lives to follow: about {seconds:.0f} s with {jobs} processes, "
            sys.stderr.write(f"{line}{forecast.memory(jobs) >> 20} MiB\n")

    return announce


def spread_over(jobs: int | None = None, workers: str | None = None) -> "Spread":
    """Return what lets processes play, one a core, or the workers of a Dask scheduler."""

    def spread(
        work: "Callable[[Cuts, Explorer], Outcome]", explorer: "Explorer", pieces: "list[Cuts]"
    ) -> "Iterator[Outcome]":
        with ExitStack() as stack:
            if workers is not None and pieces:
                client = fleet(stack, workers)
                threads(client, workers)
                yield from on_fleet(client, workers, work, explorer, pieces)
            elif (most := min(jobs or processors(), len(pieces))) > 1 and sum(len(cuts) for _, cuts in pieces) > _ALONE:
                yield from in_processes(stack, most, work, explorer, pieces)
            else:
                yield from (work(piece, explorer) for piece in pieces)

    return spread
