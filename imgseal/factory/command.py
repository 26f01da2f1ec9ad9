"""`imgseal factory`: the merged image for the production programmer, and the comparison with a programmed device."""

import os

import click

from imgseal import __version__
from imgseal.console.options import ChosenProduct, as_of_option, product_options
from imgseal.console.say import say
from imgseal.device_state.device import DeviceState, write
from imgseal.factory.merge import Part, compare_dump
from imgseal.factory.parts import PURPOSES, Share, index, outputs, shares
from imgseal.factory.prepare import PLAIN, Prepared, prepare
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.product.model import Product
from imgseal.versions import Version
from imgseal.workspace.files import write_all
from imgseal.workspace.firmware import load_image, split_address
from imgseal.workspace.staging import Output, json_text


@click.command(
    "factory",
    epilog="""
\b
Examples:
  imgseal factory out/vent-drive-2.4.1-17.suit
  imgseal factory out/vent-drive-2.4.1-17.suit recovery/vent-drive-1.0.0-3.suit --out line
  imgseal factory out/vent-drive-2.4.1-17.suit --without-recovery
  imgseal factory out/vent-drive-2.4.1-17.suit recovery/vent-drive-1.0.0-3.suit --parts
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
@click.option("--parts", "apart", is_flag=True, help="Also what devices with an unsigned updater need, in parts.")
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
    apart: bool,
    device_file: str | None,
    as_of: str | None,
    development: bool,
    chosen: ChosenProduct,
) -> int:
    """Merge bootloader, sealed images, install record, trust anchors and configuration into one Intel HEX.

    The first PACKAGE is the release; others may bring components that it does not, such as the recovery image. Beside
    the HEX come factory.json, with every range and digest and the first counters, and the device's state file.
    Per-device secrets and protection bits belong to the production line. --parts writes the same bytes apart as well:
    trust anchors, first install record, and what is left, the bridge from an updater that asks for no signature.

    Packages are judged as `imgseal check` judges them: keys have to be in force, and the release may not be below the
    release log, but for --read-back. Another day or another device is said in what is printed and in factory.json.
    """
    project = chosen.load()
    product = project.product
    made = prepare(
        project, packages, hardware=hardware, device_file=device_file, as_of=as_of, without_recovery=without_recovery,
        development=development, compared=read_back is not None,
    )  # fmt: skip
    parts, release, state = made.parts, made.release, made.state
    if read_back is not None:
        return _read_back(parts, product, read_back)
    version = "" if release.set_version is None else f"-{Version.from_suit(list(release.set_version))}"
    base = f"{product.name}{version}-{release.sequence}{'-development' if development else ''}.factory"
    shared = shares(parts, product) if apart else []
    written = [
        Output(os.path.join(out, f"{base}.hex"), write_intel_hex((p.address, p.data) for p in parts)),
        *outputs(out, shared),
        Output(os.path.join(out, "factory.json"), [_document(made, product, shared)], last=True),
        Output(os.path.join(out, "device.json"), [write(state).encode()]),
        *(Output(os.path.join(out, "device.slots", f"{name}.bin"), [content]) for name, content in made.held.items()),
    ]
    write_all(written, [*packages, *project.own_files()])
    for part in parts:
        click.echo(f"0x{part.address:08x} {len(part.data):>8} bytes  {part.what}")
    for name, value in _counters(product, state).items():
        click.echo(f"counter of {name}: {value}, for the production line to program")
    notes = [f"judged for {made.judged_for}"] if made.judged_for != PLAIN else []
    notes += [f"left out: {name}; a device without a set that starts waits for a package" for name in made.left_out]
    if product.slot_holding("anchors") is None:
        notes.append('no slot holds "anchors": the trust anchors have to be in the bootloader')
    say(notes)
    for share in shared:
        click.echo(f"{out}/parts/{share.name}.hex: {PURPOSES[share.name]}")
    click.echo(written[0].path)
    return 0


def _counters(product: Product, state: DeviceState) -> dict[str, int]:
    by_number = {component.number: component.name for component in product.components.values()}
    return {by_number[number]: value for number, value in sorted(state.counters.items())}


def _document(made: Prepared, product: Product, shared: list[Share]) -> bytes:
    state = made.state
    assert state.manifest_digest is not None
    document = {
        "format": 1,
        "imgseal": __version__,
        "product": product.name,
        "class": product.class_name,
        "hardware": state.hardware,
        "sequence": made.release.sequence,
        "manifest_digest": state.manifest_digest.hex(),
        "judged_for": made.judged_for,
        "counters": _counters(product, state),
        "left_out": made.left_out,
        "ranges": [
            {"what": p.what, "slot": p.slot, "address": p.address, "size": len(p.data), "sha256": p.sha256}
            for p in made.parts
        ],
        **({"parts": index(shared)} if shared else {}),
        "left_to_the_line": ["per-device secrets", "protection bits", "counter storage"],
    }
    return json_text(document).encode()


def _read_back(parts: list[Part], product: Product, argument: str) -> int:
    path, base = split_address(argument)
    with load_image(path, base, product) as dump:
        differences, notes = compare_dump(parts, dump, product)
    say(notes)
    for part in parts:
        if part.what not in {difference.what for difference in differences}:
            click.echo(f"as made   0x{part.address:08x} {len(part.data):>8} bytes  {part.what}")
    for difference in differences:
        more = f", {difference.differing} bytes differ" if difference.differing else ""
        click.echo(
            f"differs   0x{difference.address:08x} {difference.what}: expected {difference.expected}, "
            f"found {difference.found}{more}"
        )
    return 1 if differences else 0
