"""`imgseal device`: state files of devices, for `check --device`."""

import hashlib
import os
from typing import TYPE_CHECKING

import click

from imgseal.cli.check import load_device
from imgseal.cli.project import Project, product_options
from imgseal.errors import Place, RefusedError, UsageError
from imgseal.files import Output, load_artefact, refuse_overlap, write_all

if TYPE_CHECKING:
    from collections.abc import Iterable

    from imgseal.compare.contents import Contents, Image
    from imgseal.product.model import Component
    from imgseal.state.device import DeviceState, SlotContent

__all__ = ["command"]


@click.group(
    "device",
    epilog="""
\b
Examples:
  imgseal device new unit.json --hardware 3                a device without firmware
  imgseal device apply unit.json first.suit --out a.json   the device after this package
  imgseal device apply a.json next.suit --out b.json       and after the next
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
def new(
    path: str, hardware: int | None, product_file: str | None, variant: str | None, settings: tuple[str, ...]
) -> None:
    """Write the state of a device as it leaves the factory without firmware: counters and sequence at zero."""
    from imgseal.state.device import fresh, write

    product = Project.load(product_file, settings, variant).product
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
def show(path: str, product_file: str | None, variant: str | None, settings: tuple[str, ...]) -> None:
    """Show what a device runs, holds, and refuses to go below."""
    project = Project.load(product_file, settings, variant)
    state, contents = load_device(project, path)
    product = project.product
    click.echo(f"{path}: hardware revision {state.hardware}, sequence {state.sequence}")
    digest = state.manifest_digest.hex() if state.manifest_digest else "none"
    click.echo(f"  manifest   {digest}")
    click.echo(f"  bootloader {state.bootloader or 'unknown'}")
    battery = "enough" if state.battery_mwh is None else f"{state.battery_mwh} mWh"
    click.echo(f"  battery    {battery}; updates are {'authorised' if state.authorised else 'not authorised'}")
    for component in product.components.values():
        index = state.running.get(component.number)
        where = "nothing" if index is None or index >= len(component.run) else component.run[index]
        counter = state.counters.get(component.number, 0)
        steps = f" of {component.counter_steps}" if component.counter_steps is not None else ""
        click.echo(f"  {component.name:<10} runs from {where}; counter {counter}{steps}")
    for slot in product.slots:
        if slot in contents:
            click.echo(f"  {slot:<14} {_describe(contents[slot].read(0, 8192))}, {contents[slot].size} bytes")
    for key in state.revoked:
        click.echo(f"  revoked    {key}")


@command.command()
@click.argument("path", metavar="FILE")
@click.argument("package", metavar="PACKAGE")
@click.option("--out", required=True, metavar="NEW", help="The new state file; slot contents go beside it.")
@click.option("--development", is_flag=True, help="Admit development images and keys.")
@product_options
def apply(
    path: str,
    package: str,
    out: str,
    development: bool,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> None:
    """Write the state of the device once it has installed PACKAGE, run it, and found it healthy.

    A package that the device refuses gives no new state: exit status 1, with the first finding.
    """
    from imgseal.compare.contents import read_contents
    from imgseal.flow import judge
    from imgseal.state.advance import Installed, advance
    from imgseal.state.device import write

    project = Project.load(product_file, settings, variant)
    product = project.product
    state, contents = load_device(project, path)
    data = load_artefact(package)
    verdict = judge(
        data, package, product, project.trust(development=development), state, contents=contents, device=path,
        development=development,
    )  # fmt: skip
    if not verdict.accepted:
        finding = verdict.findings[0]
        raise RefusedError(
            f"the device refuses this package: {finding.code}: {finding.message}",
            place=finding.place._replace(file=package),
            expected=finding.expected,
            found=finding.found,
            hint=finding.hint or "imgseal check says more",
        )
    brought = read_contents(data.read(0, data.size), package, product)
    shelf = _Shelf(os.path.splitext(out)[0] + ".slots")
    held = {slot: shelf.put(slot, content.read(0, content.size)) for slot, content in contents.items()}
    installed = {}
    for component in product.components.values():
        image = _choose(state, component, brought)
        if image is not None:
            content = shelf.put(f"{image.slot}-{brought.sequence}", image.content)
            index = component.run.index(image.slot)
            header = None
            if image.header is not None:
                header = shelf.put(f"{component.header[index]}-{brought.sequence}", image.header)
            installed[component.number] = Installed(component.number, index, image.statement.counter, content, header)
    before = state._replace(slots={**state.slots, **held})
    after = advance(before, product, brought.sequence, brought.manifest_digest, installed)
    outputs = shelf.outputs(content for content in after.slots.values() if content is not None)
    refuse_overlap([out, *(output.path for output in outputs)], [path, package])
    write_all([*outputs, Output(out, [write(after).encode()], replace=False)])
    click.echo(out)


class _Shelf:
    """Slot contents on their way into files beside the new state; only those that the state names are written."""

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._data: dict[str, memoryview] = {}

    def put(self, name: str, data: memoryview) -> "SlotContent":
        from imgseal.state.device import SlotContent

        file = os.path.join(os.path.basename(self._folder), f"{name}.bin")
        self._data[file] = data
        return SlotContent(file, hashlib.sha256(data).hexdigest())

    def outputs(self, named: "Iterable[SlotContent]") -> list[Output]:
        parent = os.path.dirname(self._folder)
        files = dict.fromkeys(content.file for content in named)
        return [Output(os.path.join(parent, file), [self._data[file]], replace=False) for file in files]


def _choose(state: "DeviceState", component: "Component", brought: "Contents") -> "Image | None":
    """Pick the image of a component that this device takes; None when the package brings none."""
    from imgseal.state.advance import free_slot

    offered = tuple(index for index, slot in enumerate(component.run) if slot in brought.images)
    if not offered:
        return None
    return brought.images[component.run[free_slot(state, component.number, offered)]]


def _describe(head: memoryview) -> str:
    from imgseal.sealed.codec import SealedFormatError, decode_header_block

    try:
        statement = decode_header_block(bytes(head)).statement
    except SealedFormatError:
        return "no sealed header"
    return f"version {statement.version}, counter {statement.counter}"
