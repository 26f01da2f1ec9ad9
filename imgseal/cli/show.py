"""`imgseal show`: what is inside an artefact, without judging it; and the regions for a linker script."""

from typing import Any

import click

from imgseal.check.judge import kind_of
from imgseal.console.options import ChosenProduct, product_options
from imgseal.errors import Place, UsageError, in_file, meant
from imgseal.formats.cose.labels import ALGORITHMS
from imgseal.formats.sealed_image.codec import decode_header_block
from imgseal.formats.sealed_image.layout import FIELDS, STATEMENT_BYTES
from imgseal.formats.sealed_image.statement import Statement
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.times import utc
from imgseal.window import ByteView
from imgseal.workspace.artefacts import ManyRegionsError, open_artefact
from imgseal.workspace.key_files import quoted
from imgseal.workspace.project import Project
from imgseal.workspace.staging import json_text


@click.command(
    "show",
    epilog="""
\b
Examples:
  imgseal show motor-a.sealed.bin                    every field of the statement
  imgseal show motor-a.sealed.bin --field counter    the bytes of one field, in hex
  imgseal show vent-drive-2.4.1-17.suit              the manifest as a tree
  imgseal show vent-drive-2.4.1-17.suit --json       for scripts
  imgseal show app.hex                               regions of a firmware file
  imgseal show --map                                 slots of the product file, by address
  imgseal show --map vent-drive-2.4.1-17.suit        and what a package brings into them
  imgseal show --linker                              MEMORY lines for linker scripts
""",
)
@click.argument("artefact", required=False)
@click.option("--field", metavar="NAME", help="Print the bytes of one statement field in hex, and nothing else.")
@click.option("--linker", is_flag=True, help="Print the linker region of every run slot of the product file.")
@click.option("--map", "as_map", is_flag=True, help="Print the memory map, with what a package brings.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@product_options
def command(
    artefact: str | None,
    field: str | None,
    linker: bool,
    as_map: bool,
    as_json: bool,
    chosen: ChosenProduct,
) -> None:
    """Show what an artefact says of itself. Nothing is verified: use check for that."""
    if as_map:
        _map(artefact, chosen.load(), bare=not (linker or field or as_json))
        return
    if linker == (artefact is not None):
        raise UsageError("give one of an artefact, --map and --linker", hint="imgseal show --help has examples")
    if artefact is None:
        _linker(chosen.load())
        return
    data = _open(artefact)
    kind = None if data is None else kind_of(data)
    if data is not None and kind == "sealed image":
        _sealed(data, artefact, field, as_json=as_json)
    elif field is not None:
        raise UsageError("only sealed images have fields", place=Place(file=artefact), hint="leave --field out")
    elif data is not None and kind == "update package":
        _package(data, artefact, as_json=as_json)
    elif kind == "trust anchor update":
        raise UsageError(
            "a trust anchor update is shown by another command",
            place=Place(file=artefact),
            hint=f"show it with: imgseal trust show {quoted(artefact)}",
        )
    else:
        _firmware(artefact, as_json=as_json)


def _open(path: str) -> ByteView | None:
    """Open an artefact; None for firmware text, which is shown as such unless it holds a sealed image."""
    try:
        return open_artefact(path)
    except ManyRegionsError:
        return None


def _map(artefact: str | None, project: Project, *, bare: bool) -> None:
    from imgseal.flow.contents import read_contents
    from imgseal.report.memory_map import contents_of_slots, map_lines, memory_maps

    if not bare:
        raise UsageError(
            "--map goes alone, or with a package",
            hint="leave the other options out; as JSON the map is in: imgseal report PACKAGE --format json --out FILE",
        )
    contents = None
    if artefact is not None:
        data = open_artefact(artefact)
        contents = read_contents(data.read(0, data.size), artefact, project.product)
    for line in map_lines(memory_maps(project.product, contents_of_slots(project.product, contents, {}))):
        click.echo(line)


def _linker(project: Project) -> None:
    from imgseal.make.place import linker_region
    from imgseal.product.cores import rams_of

    product = project.product
    for component in product.components.values():
        for slot in component.run:
            click.echo(f"/* {component.name} in {slot} */")
            click.echo(linker_region(product, component, slot))
    for memory in rams_of(product):
        cores = [component.name for component in product.components.values() if memory.name in component.ram]
        if cores:
            click.echo(f"/* {', '.join(cores)} */")
        click.echo(f"RAM (rwx) : ORIGIN = 0x{memory.base:08x}, LENGTH = 0x{memory.size:x}")


def _sealed(data: ByteView, name: str, field: str | None, *, as_json: bool) -> None:
    raw = bytes(data.read(0, HEADER_BLOCK_MAX))
    if field is not None:
        click.echo(_field(raw, field))
        return
    with in_file(name, "imgseal check says more; --field NAME shows the bytes of a field all the same"):
        block = decode_header_block(raw)
    statement = block.statement
    values = _values(statement)
    if as_json:
        signatures = [
            {"algorithm": slot.algorithm, "key": slot.key_id.hex(), "value": value.hex()}
            for slot, value in zip(statement.signatures, block.signatures, strict=True)
        ]
        kind = values.pop("kind")  # of the component; what is shown is a sealed image
        _echo_json("sealed image", component_kind=kind, **values, signatures=signatures)
        return
    click.echo(f"sealed image, {data.size} bytes; nothing is verified here")
    values["needs"] = "; ".join(f"{key} {text}" for key, text in values["needs"].items()) or "none"
    values["build_time"] = f"{utc(statement.build_time)} ({statement.build_time})"
    for label, value in values.items():
        click.echo(f"  {label:<16}{str(value).lower() if isinstance(value, bool) else value}")
    for number, slot in enumerate(statement.signatures):
        algorithm = f"{ALGORITHMS.get(slot.algorithm, 'unknown here')} ({slot.algorithm})"
        click.echo(f"  signature {number:<6}{algorithm}, key {slot.key_id.hex()}, {slot.length} bytes")
    click.echo(f"  statement       {STATEMENT_BYTES} bytes, hex of one field: --field NAME")


def _field(raw: bytes, name: str) -> str:
    """Return the bytes of a statement field in hex, also of an image that cannot be read."""
    known = {entry.name: entry for entry in FIELDS}
    if name not in known:
        raise UsageError(
            "there is no such field",
            expected=", ".join(known),
            found=name,
            hint=meant(name, known, "docs/format/sealed-image.md explains every field"),
        )
    return raw[known[name].offset : known[name].offset + known[name].size].hex()


def _values(statement: Statement) -> dict[str, Any]:
    """Return every value of a statement as it is shown, by its name; flags by what they mean."""
    values = {key: value.hex() if isinstance(value, bytes) else value for key, value in statement._asdict().items()}
    del values["flags"], values["signatures"]
    needs = {("bootloader" if n.component == 0 else f"component {n.component}"): str(n) for n in statement.needs}
    return values | {
        "hardware": "{}..{}".format(*statement.hardware),
        "kind": "code" if statement.kind == 1 else "data",
        "version": str(statement.version),
        "needs": needs,
        "link_address": f"0x{statement.link_address:08x}",
        "development": statement.development,
        "detached": statement.detached,
    }


def _echo_json(kind: str, **values: object) -> None:
    click.echo(json_text({"format": 1, "kind": kind, **values}), nl=False)


def _package(data: ByteView, name: str, *, as_json: bool) -> None:
    from imgseal.formats.suit.delivery import is_delivery
    from imgseal.formats.suit.envelope import decode_envelope
    from imgseal.formats.suit.outline import outline

    with in_file(name):
        envelope = decode_envelope(data.read(0, data.size))
        lines = list(outline(envelope))
    kind = "delivery" if is_delivery(envelope) else "update package"
    if as_json:
        payloads = {key: len(payload) for key, payload in envelope.payloads.items()}
        _echo_json(
            kind, manifest_digest=envelope.digest.value.hex(), signatures=len(envelope.blocks),
            payloads=payloads, outline=lines,
        )  # fmt: skip
        return
    click.echo(f"{kind}, {data.size} bytes; nothing is verified here")
    for line in lines:
        click.echo(f"  {line}")


def _firmware(path: str, *, as_json: bool) -> None:
    from imgseal.workspace.firmware import load_image, split_address

    name, base = split_address(path)
    with load_image(name, base) as image:
        start = image.start_address
        regions = [{"address": f"0x{r.address:08x}", "end": f"0x{r.end:08x}", "size": r.size} for r in image.regions]
        if as_json:
            entry = None if start is None else f"0x{start:08x}"
            _echo_json("firmware", regions=regions, entry=entry)
            return
        click.echo(f"firmware, {image.size} bytes in {len(regions)} region(s)")
        for region in regions:
            click.echo(f"  {region['address']}..{region['end']}  {region['size']} bytes")
        if start is not None:
            click.echo(f"  entry 0x{start:08x}")
        for note in image.notes:
            click.echo(f"  note: {note}")
