"""`imgseal device`: state files of devices, for `check --device`."""

import hashlib
import os

import click

from imgseal.check.context import Context
from imgseal.check.judge import judge, kind_of
from imgseal.console.options import ChosenProduct, product_options
from imgseal.device_state.device import SlotContent, fresh, write
from imgseal.errors import Place, UsageError
from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
from imgseal.formats.trust_anchors.codec import number_words
from imgseal.rehearse.apply import apply as play
from imgseal.workspace.artefacts import open_artefact
from imgseal.workspace.device_file import device_trust, load_device, read_update
from imgseal.workspace.fielded import logged_floors
from imgseal.workspace.files import write_all
from imgseal.workspace.layouts import fielded_project
from imgseal.workspace.packages import load_package, refuse_verdict, refuse_without_records
from imgseal.workspace.project import Project
from imgseal.workspace.staging import Output


@click.group(
    "device",
    epilog="""
\b
Examples:
  imgseal device new unit.json --hardware 3                a device without firmware
  imgseal device apply unit.json first.suit --out a.json   the device after this package
  imgseal device apply a.json next.suit --out b.json       and after the next
  imgseal device apply b.json bad.suit --out c.json --ending failed
  imgseal device show b.json
""",
)
def command() -> None:
    """Make device state files, show them, and say what a package makes of a device.

    A state file is never changed in place: each step writes a new one, with slot contents beside it.
    """


@command.command()
@click.argument("path", metavar="FILE")
@click.option("--hardware", type=int, help="Hardware revision; default the lowest of the product file.")
@product_options
def new(path: str, hardware: int | None, chosen: ChosenProduct) -> None:
    """Write the state of a device as it leaves the factory without firmware: counters and sequence at zero."""
    product = chosen.load().product
    least, most = product.hardware
    revision = least if hardware is None else hardware
    if not least <= revision <= most:
        raise UsageError(
            "the product has no such hardware revision",
            place=Place(key="--hardware"),
            expected=f"{least} to {most} (product.hardware)",
            found=str(revision),
            hint="give a revision of the product, or change product.hardware",
        )
    state = fresh(product)._replace(hardware=revision, fresh=False)
    write_all([Output(path, [write(state).encode()], replace=False)])
    click.echo(path)


@command.command()
@click.argument("path", metavar="FILE")
@product_options
def show(path: str, chosen: ChosenProduct) -> None:
    """Show what a device runs, holds, and refuses to go below."""
    project = chosen.load()
    state, contents = load_device(project, path)
    product = project.product
    click.echo(f"{path}: hardware revision {state.hardware}, sequence {state.sequence}")
    digest = state.manifest_digest.hex() if state.manifest_digest else "none"
    click.echo(f"  manifest   {digest}")
    if state.trial is not None:
        trial = state.trial
        left = "no way back"
        if trial.way_back:
            left = f"{trial.attempts_left} starts left, {trial.power_ons_left} after power-on"
        click.echo(f"  trial      sequence {trial.sequence}: not healthy yet; {left}")
    if state.unraised:
        click.echo("  rollback   unprotected: counters are behind those of the set, their storage does not take them")
    if state.before:
        click.echo(
            "  before     the set that ran before is named: it goes on where this one fails, if it still lies there"
        )
    for refused in state.refused:
        click.echo(f"  failed     {refused.hex()}")
    click.echo(f"  bootloader {state.bootloader or 'unknown'}")
    battery = "enough" if state.battery_mwh is None else f"{state.battery_mwh} mWh"
    click.echo(f"  battery    {battery}; updates are {'authorised' if state.authorised else 'not authorised'}")
    for component in product.components.values():
        index = state.running.get(component.number)
        where = "runs from " + ("nothing" if index is None or index >= len(component.run) else component.run[index])
        if component.recovery:  # it belongs to no set: it starts where none does
            where = f"stands by in {component.run[0]}" if component.run[0] in contents else "stands by, as far as known"
        counter = state.counters.get(component.number, 0)
        steps = f" of {component.counter_steps}" if component.counter_steps is not None else ""
        click.echo(f"  {component.name:<10} {where}; counter {counter}{steps}")
    for slot in product.slots:
        if slot in contents:
            click.echo(f"  {slot:<14} {_describe(contents[slot].read(0, 8192))}, {contents[slot].size} bytes")
    if state.anchors is not None:
        anchors = device_trust(project, state, path)[1]
        click.echo(f"  trusts     set {number_words(anchors.number if anchors else 0)}")
    for key in state.revoked:
        click.echo(f"  revoked    {key}")


@command.command()
@click.argument("path", metavar="FILE")
@click.argument("package", metavar="PACKAGE")
@click.option("--out", required=True, metavar="NEW", help="The new state file; slot contents go beside it.")
@click.option(
    "--ending",
    type=click.Choice(["healthy", "trial", "failed"]),
    default="healthy",
    show_default=True,
    help="How it goes: settled, started and not healthy yet, or never healthy and gone back.",
)
@click.option("--development", is_flag=True, help="Admit development images and keys.")
@product_options
def apply(path: str, package: str, out: str, ending: str, development: bool, chosen: ChosenProduct) -> None:
    """Write the state of the device once it has installed PACKAGE, run it, and found it healthy.

    A package that the device refuses gives no new state: exit status 1, with the first finding. What only the desk
    refuses it takes: a device knows neither the days of keys nor the release log.
    """
    project = chosen.load()
    if not development:
        project, _ = fielded_project(project, logged_floors(project), path)
    state, contents = load_device(project, path)
    if kind_of(open_artefact(package)) == "trust anchor update":
        _apply_trust(project, path, package, out, development=development)
        return
    trust, _ = device_trust(project, state, path, development=development)
    refuse_without_records(project)
    context = Context(project.product, trust, state, contents, development=development)
    applied = play(context, load_package(package), ending=ending)
    refuse_verdict(applied.verdict, package)
    folder = os.path.splitext(out)[0] + ".slots"
    slots: dict[str, SlotContent | None] = {}
    outputs = []
    for name, content in applied.slots.items():
        file = os.path.join(os.path.basename(folder), f"{name}.bin")
        slots[name] = SlotContent(file, hashlib.sha256(content).hexdigest())
        outputs.append(Output(os.path.join(folder, f"{name}.bin"), [content], replace=False))
    text = write(applied.state._replace(slots=slots, anchors=_moved(state.anchors, path, out)))
    write_all([*outputs, Output(out, [text.encode()], replace=False)], [path, package])
    for event in applied.events:
        click.echo(f"  {event}", err=True)
    click.echo(out)


def _apply_trust(project: Project, path: str, update: str, out: str, *, development: bool) -> None:
    """Write the state of the device that has taken a trust anchor update; what its slots hold stays where it is."""
    state, contents = load_device(project, path)
    trust, anchors = device_trust(project, state, path, development=development)
    data = open_artefact(update)
    context = Context(project.product, trust, state, contents, development=development, anchors=anchors)
    refuse_verdict(judge(data, update, context), update)
    digest = hashlib.sha256(data.read(0, data.size)).hexdigest()
    before = set() if anchors is None else {key.hex() for key in anchors.revoked}
    after = {key.hex() for key in read_update(update).anchors.revoked}
    revoked = sorted({*state.revoked} - before | after)
    slots = {name: None if content is None else _moved(content, path, out) for name, content in state.slots.items()}
    taken = SlotContent(os.path.relpath(update, os.path.dirname(out) or "."), digest)
    text = write(state._replace(slots=slots, anchors=taken, revoked=tuple(revoked)))
    write_all([Output(out, [text.encode()], replace=False)], [path, update])
    click.echo(out)


def _moved(content: SlotContent | None, before: str, after: str) -> SlotContent | None:
    """Return what a state file names, as a state file in another folder has to name it."""
    if content is None:
        return None
    file = os.path.join(os.path.dirname(before), content.file)
    return content._replace(file=os.path.relpath(file, os.path.dirname(after) or "."))


def _describe(head: memoryview) -> str:
    try:
        statement = decode_header_block(bytes(head)).statement
    except SealedFormatError:
        return "no sealed header"
    return f"version {statement.version}, counter {statement.counter}"
