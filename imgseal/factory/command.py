"""`imgseal factory`: the merged image for the production programmer, and the comparison with a programmed device."""

import hashlib
import json
import os
from typing import TYPE_CHECKING

import click

from imgseal import __version__
from imgseal.console.options import as_of_option, product_options
from imgseal.console.say import say
from imgseal.errors import Place, RefusedError, UsageError, visible
from imgseal.factory.parts import anchor_block, configured_parts, image_parts, own_parts
from imgseal.workspace.files import refuse_overlap, write_all
from imgseal.workspace.firmware import load_image, split_address
from imgseal.workspace.judging import judge_of
from imgseal.workspace.packages import load_package, refuse_verdict, refuse_without_records
from imgseal.workspace.project import Project
from imgseal.workspace.staging import Output

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgseal.device_state.device import DeviceState
    from imgseal.factory.merge import FactoryImage
    from imgseal.flow.contents import Image
    from imgseal.product.model import Product
    from imgseal.workspace.judging import Judge


@click.command(
    "factory",
    epilog="""
\b
Examples:
  imgseal factory out/vent-drive-2.4.1-17.suit
  imgseal factory out/vent-drive-2.4.1-17.suit recovery/vent-drive-1.0.0-3.suit --out line
  imgseal factory out/vent-drive-2.4.1-17.suit --without-recovery
  imgseal factory out/vent-drive-2.4.1-17.suit --read-back dump.hex
  imgseal factory out/vent-drive-2.4.1-17.suit --read-back internal.bin@0x0

\b
[factory] of the product file names the bootloader, configuration ranges and first counters.
""",
)
@click.argument("packages", metavar="PACKAGE...", nargs=-1, required=True)
@click.option("--out", default="factory", show_default=True, metavar="DIR", help="Folder for what is written.")
@click.option("--hardware", type=int, help="Hardware revision; default the lowest of the product file.")
@click.option("--read-back", metavar="DUMP", help="Compare this dump of a programmed device; nothing is written.")
@click.option("--without-recovery", is_flag=True, help="Leave out the recovery image that the product file states.")
@click.option(
    "--device", "device_file", metavar="FILE", help="Judge for the device of this state file, not for the release log."
)
@as_of_option
@click.option("--development", is_flag=True, help="Admit development images and keys.")
@product_options
def command(
    packages: tuple[str, ...],
    out: str,
    hardware: int | None,
    read_back: str | None,
    without_recovery: bool,
    device_file: str | None,
    as_of: str | None,
    development: bool,
    product_file: str | None,
    variant: str | None,
    settings: tuple[str, ...],
) -> int:
    """Merge bootloader, sealed images, install record, trust anchors and configuration into one Intel HEX.

    The first PACKAGE is the release; others may bring components that it does not, such as the recovery image. Beside
    the HEX come factory.json, with every range and digest and the first counters, and the device's state file.
    Per-device secrets and protection bits belong to the production line.

    Packages are judged as `imgseal check` judges them: keys have to be in force, and the release may not be below the
    release log. Another day or another device is said in what is printed and in factory.json.
    """
    from imgseal.device_state.device import SlotContent, write
    from imgseal.factory.merge import merge
    from imgseal.flow.contents import read_contents
    from imgseal.formats.source.intel_hex_writer import write_intel_hex
    from imgseal.versions import Version

    project = Project.load(product_file, settings, variant)
    product = project.product
    refuse_without_records(project)
    images: dict[str, Image] = {}
    release = None
    judge_one = _line_judge(project, device_file, development=development, as_of=as_of)
    for path in packages:
        data = load_package(path)
        if release is not None:  # what completes the release is no later one: its images alone have to be allowed
            judge_one = judge_one._replace(state=judge_one.state._replace(sequence=0, manifest_digest=None))
        refuse_verdict(judge_one(data, path, partial=len(packages) > 1), path)
        contents = read_contents(data.read(0, data.size), path, product)
        release = release or contents
        if contents.sequence > release.sequence:
            raise UsageError(
                "the first package is not the release",
                place=Place(file=path),
                expected=f"a sequence of at most {release.sequence}, that of {packages[0]}",
                found=str(contents.sequence),
                hint="name the release first; devices would take older releases again otherwise",
            )
        for component, image in _chosen(contents.images, product).items():
            if component in images:
                raise UsageError(
                    f"two packages bring {component}",
                    place=Place(file=path),
                    expected="each component in one package",
                    found=f"{component} in {path} as well",
                    hint="leave one of the packages out",
                )
            images[component] = image
    assert release is not None
    left_out = _left_out(project, images, without_recovery=without_recovery)
    state, held = _device(project, images, release.sequence, release.manifest_digest, hardware)
    block = anchor_block(project, development=development)
    parts = [*image_parts(product, images, packages[0]), *own_parts(project, state, block)]
    parts += configured_parts(project)
    factory = merge(parts, product)
    _refuse_unless_starts(project, state, held, development=development)
    if read_back is not None:
        return _read_back(factory, product, read_back)
    slot = product.slot_holding("anchors")
    if slot is not None and not development:
        held[slot.name] = block
        content = SlotContent(f"device.slots/{slot.name}.bin", hashlib.sha256(block).hexdigest())
        state = state._replace(anchors=content)
    version = "" if release.set_version is None else f"-{Version.from_suit(list(release.set_version))}"
    mark = "-development" if development else ""
    base = f"{product.name}{version}-{release.sequence}{mark}.factory"
    outputs = [
        Output(os.path.join(out, f"{base}.hex"), write_intel_hex((p.address, p.data) for p in factory.parts)),
        Output(
            os.path.join(out, "factory.json"),
            [_document(factory, project, state, release.sequence, judge_one.device, left_out)],
            last=True,
        ),
        Output(os.path.join(out, "device.json"), [write(state).encode()]),
        *(Output(os.path.join(out, "device.slots", f"{name}.bin"), [content]) for name, content in held.items()),
    ]
    refuse_overlap([output.path for output in outputs], [*packages, *project.own_files()])
    write_all(outputs)
    for part in factory.parts:
        click.echo(f"0x{part.address:08x} {len(part.data):>8} bytes  {part.what}")
    for name, value in _counters(product, state).items():
        click.echo(f"counter of {name}: {value}, for the production line to program")
    if judge_one.device != _PLAIN:
        click.echo(f"imgseal: judged for {visible(judge_one.device)}", err=True)
    for name in left_out:
        click.echo(f"imgseal: left out: {name}; a device without a set that starts waits for a package", err=True)
    if product.slot_holding("anchors") is None:
        click.echo('imgseal: no slot holds "anchors": the trust anchors have to be in the bootloader', err=True)
    click.echo(outputs[0].path)
    return 0


_PLAIN = "a fresh device"


def _line_judge(project: Project, device_file: str | None, *, development: bool, as_of: str | None) -> "Judge":
    """Return the judge of `imgseal check`, for devices that get the bootloader of the product file with the release."""
    from imgseal.workspace.fielded import first_devices

    judge_one = judge_of(project, device_file, development=development, as_of=as_of)
    if device_file is not None:
        return judge_one
    known = first_devices(project.product, "it is programmed with the release")
    return judge_one._replace(state=judge_one.state._replace(fielded=known))


def _left_out(project: Project, images: "Mapping[str, Image]", *, without_recovery: bool) -> list[str]:
    """Return the recovery image that no package brings; UsageError unless that is meant."""
    missing = [c.name for c in project.product.components.values() if c.recovery and c.name not in images]
    if missing and not without_recovery:
        raise UsageError(
            f"no package brings {missing[0]}, the recovery image",
            place=Place(file=project.path, key=f"component.{missing[0]}"),
            expected=f"a package with {missing[0]} beside the release",
            found=", ".join(images),
            hint="name its package too: imgseal factory RELEASE RECOVERY; or say --without-recovery",
        )
    return missing


def _chosen(images: "Mapping[str, Image]", product: "Product") -> "dict[str, Image]":
    """Return by component the image for the first of its run slots that has one."""
    out = {}
    for component in product.components.values():
        slot = next((name for name in component.run if name in images), None)
        if slot is not None:
            out[component.name] = images[slot]
    return out


def _device(
    project: Project, images: "Mapping[str, Image]", sequence: int, digest: bytes, hardware: int | None
) -> "tuple[DeviceState, dict[str, bytes]]":
    """Return the state of a device that has just been programmed, and what its slots hold."""
    from imgseal.device_state.device import SlotContent, fresh
    from imgseal.formats.install_record.record import Member
    from imgseal.formats.sealed_image.layout import STATEMENT_BYTES

    product = project.product
    held: dict[str, bytes] = {}
    current, counters = {}, {}
    for name, image in images.items():
        component = product.components[name]
        index = component.run.index(image.slot)
        held[image.slot] = bytes(image.content)
        head = image.content
        if image.header is not None:
            held[component.header[index]] = bytes(image.header)
            head = image.header
        if not component.recovery:
            current[component.number] = Member(index, hashlib.sha256(head[:STATEMENT_BYTES]).digest())
        counters[component.number] = product.factory.counters.get(name, image.statement.counter)
    slots = {n: SlotContent(f"device.slots/{n}.bin", hashlib.sha256(data).hexdigest()) for n, data in held.items()}
    state = fresh(product)._replace(
        fresh=False,
        hardware=product.hardware[0] if hardware is None else hardware,
        sequence=sequence,
        manifest_digest=digest,
        counters={number: value for number, value in counters.items() if value},
        current=current,
        slots=slots,
    )
    return state, held


def _refuse_unless_starts(
    project: Project, state: "DeviceState", held: "Mapping[str, bytes]", *, development: bool
) -> None:
    """RefusedError unless a bootloader would start what is to be programmed."""
    from imgseal.rehearse.stage import why_not
    from imgseal.window import ByteView

    trust = project.trust(development=development)
    contents = {name: ByteView(data) for name, data in held.items()}
    why = why_not(project.product, trust, state, contents, development=development)
    if why is not None:
        raise RefusedError(
            f"a device programmed with this would not start: {why}",
            place=Place(file=project.path),
            hint="the first package has to bring a complete set; first counters may not be above the images'",
        )


def _counters(product: "Product", state: "DeviceState") -> dict[str, int]:
    by_number = {component.number: component.name for component in product.components.values()}
    return {by_number[number]: value for number, value in sorted(state.counters.items())}


def _document(
    factory: "FactoryImage",
    project: Project,
    state: "DeviceState",
    sequence: int,
    device: str,
    left_out: list[str],
) -> bytes:
    product = project.product
    assert state.manifest_digest is not None
    document = {
        "format": 1,
        "imgseal": __version__,
        "product": product.name,
        "class": product.class_name,
        "hardware": state.hardware,
        "sequence": sequence,
        "manifest_digest": state.manifest_digest.hex(),
        "judged_for": device,
        "counters": _counters(product, state),
        "left_out": left_out,
        "ranges": [
            {"what": p.what, "slot": p.slot, "address": p.address, "size": len(p.data), "sha256": p.sha256}
            for p in factory.parts
        ],
        "left_to_the_line": ["per-device secrets", "protection bits", "counter storage"],
    }
    return (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode()


def _read_back(factory: "FactoryImage", product: "Product", argument: str) -> int:
    from imgseal.factory.merge import compare_dump

    path, base = split_address(argument)
    with load_image(path, base) as dump:
        differences, notes = compare_dump(factory, dump, product)
    say(notes)
    for part in factory.parts:
        if part.what not in {difference.what for difference in differences}:
            click.echo(f"as made   0x{part.address:08x} {len(part.data):>8} bytes  {part.what}")
    for difference in differences:
        more = f", {difference.differing} bytes differ" if difference.differing else ""
        click.echo(
            f"differs   0x{difference.address:08x} {difference.what}: expected {difference.expected}, "
            f"found {difference.found}{more}"
        )
    return 1 if differences else 0
