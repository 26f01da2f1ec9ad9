"""`imgseal doctor`: looks at a project and says what is missing, each with the command that mends it."""

import os
import sys
from typing import TYPE_CHECKING

import click

from imgseal.errors import ImgsealError, UsageError
from imgseal.limits import KEY_FILE_BYTES, MAP_BYTES
from imgseal.product.references import is_token_uri
from imgseal.product.starter import STARTER_VENDOR
from imgseal.records import NamedTuple
from imgseal.workspace.files import read_bounded
from imgseal.workspace.firmware import component_of
from imgseal.workspace.key_files import held_elsewhere, new_key, open_to_others, quoted
from imgseal.workspace.project import LOCAL_NAME, PRODUCT_NAME, Project, find_product, read_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgseal.product.model import Component, Product


class Remark(NamedTuple):
    """One thing that was looked at: `ok`, `missing` (a build would fail), or `note`; and what mends it."""

    state: str
    what: str
    mend: str = ""


@click.command(
    "doctor",
    epilog="""
\b
Examples:
  imgseal doctor                            this project
  imgseal doctor --release                  with everything that a release needs
  imgseal doctor --map motor=build/app.map  and the linker map against the slots

\b
Exit status 0 when nothing is missing, 1 when something is.
""",
)
@click.option("--release", "for_release", is_flag=True, help="What only a release needs counts as missing, too.")
@click.option(
    "--map", "maps", multiple=True, metavar="NAME=FILE", help="A component's linker map (GNU ld); may repeat."
)
@click.option("--product", "product_file", metavar="FILE", help=f"Use this instead of the nearest {PRODUCT_NAME}.")
def command(for_release: bool, maps: tuple[str, ...], product_file: str | None) -> int:
    """Look at product file, keys, slots and tools, and say what is missing and what mends it.

    Nothing is changed and nothing is signed. Keys are looked at by name and permissions; none is opened.
    """
    try:
        project = Project.load(product_file or find_product("."))
    except ImgsealError as error:
        for line in error.lines():
            click.echo(line)
        click.echo("missing  a product file that can be read; then run this again")
        click.echo(f"         mend: {error.hint or 'imgseal init'}")
        return 1
    remarks = list(_product(project))
    remarks += _keys(project, for_release=for_release)
    remarks += _slots(project.product)
    remarks += _factory(project, for_release=for_release)
    remarks += _surroundings(project, for_release=for_release)
    for argument in maps:
        remarks += _map(argument, project.product)
    remarks = [each for n, each in enumerate(remarks) if not _said(each, remarks[:n])]
    for remark in remarks:
        click.echo(f"{remark.state:<8} {remark.what}")
        if remark.mend:
            click.echo(f"         mend: {remark.mend}")
    missing = sum(remark.state == "missing" for remark in remarks)
    click.echo("nothing is missing" if not missing else f"{missing} missing")
    return 1 if missing else 0


def _said(remark: Remark, before: list[Remark]) -> bool:
    """Say whether something is missing only because of what is missing already: the public half of a key to be made."""
    return remark.state != "ok" and remark.mend != "" and any(each.mend == remark.mend for each in before)


def _product(project: Project) -> "Iterator[Remark]":
    product = project.product
    parts = ", ".join(f"{name} ({'/'.join(c.run)})" for name, c in product.components.items())
    yield Remark("ok", f"{project.path}: {product.name} {product.release.version}, components {parts}")
    if product.vendor == STARTER_VENDOR:
        yield Remark(
            "note",
            f"product.vendor is still {product.vendor}, as imgseal init writes it: identifiers on devices come from it",
            "put a domain of your own there before the first device is made; docs/format/product-file.md",
        )


def _keys(project: Project, *, for_release: bool) -> "Iterator[Remark]":
    """Look at every key that the product file names."""
    from imgseal.keys.published import origin_of

    product = project.product
    for table, needed in (("development", True), ("release", for_release)):
        keys = product.signing.get(table)
        for role in ("images", "packages"):
            references = getattr(keys, role) if keys is not None else ()
            key = f"signing.{table}.{role}"
            absent = "missing" if needed else "note"
            if not references:
                yield Remark(
                    absent, f"{key} names no key", f"name one there, or in {LOCAL_NAME}; imgseal key new FILE makes it"
                )
            for reference in references:
                yield _private(project, reference, key, absent, development=table == "development")
    trust = product.trust
    for name, entries, needed in (
        ("trust.images", trust.images, for_release),
        ("trust.packages", trust.packages, for_release),
        ("trust.development.images", trust.development_images, True),
        ("trust.development.packages", trust.development_packages, True),
        ("trust.uncounted", trust.uncounted, for_release),
    ):
        for entry in entries:
            yield _public(project, entry.key, name, "missing" if needed else "note")
    if trust.apex is None:
        yield Remark(
            "note",
            "trust.apex is not set: devices could never be given other keys",
            'imgseal key new keys/apex.pem, and in the product file [trust] apex = "keys/apex.pub.pem"',
        )
    elif trust.contingency is None:
        yield Remark(
            "note",
            "trust.contingency is not set: a lost apex key could not be replaced",
            'imgseal key new keys/contingency.pem, and [trust] contingency = "keys/contingency.pub.pem"',
        )
    for name in ("apex", "contingency"):
        reference = getattr(trust, name)
        if reference is not None:
            yield _public(project, reference, f"trust.{name}", "missing" if for_release else "note")
    try:
        known = project.trust(absent=True)
    except ImgsealError as error:
        yield Remark("missing", f"the trusted keys do not fit together: {error.message}", error.hint or "")
        return
    for anchor in known.keys:
        if origin_of(anchor.public) is not None and not anchor.development:
            yield Remark(
                "missing",
                f"{anchor.source}: everyone can sign with this key",
                "make one of your own: imgseal key new FILE",
            )


def _private(project: Project, reference: str, key: str, absent: str, *, development: bool) -> Remark:
    if is_token_uri(reference):
        module = os.environ.get("IMGSEAL_PKCS11_MODULE")
        if not module:
            return Remark(
                absent, f"{key}: a token, and nothing says which module reaches it", "set IMGSEAL_PKCS11_MODULE"
            )
        return Remark("ok", f"{key}: {reference} (not opened)")
    path = project.resolve(reference)
    if not os.path.exists(path):
        mend = held_elsewhere(path, reference, key) or new_key(path, development=development)
        return Remark(absent, f"{key}: {path} is not there", mend)
    try:
        head = bytes(read_bounded(path, "key", KEY_FILE_BYTES))
    except ImgsealError as error:
        return Remark("missing", f"{key}: {path}: {error.message}", "check the permissions of the file")
    if b"-----BEGIN PUBLIC KEY-----" in head:
        return Remark("ok", f"{key}: {path} is the public half; sign with imgseal build --sign-later")
    if open_to_others(path):
        return Remark("missing", f"{key}: others can read {path}", f"chmod 600 {quoted(path)}")
    if b"ENCRYPTED" not in head and not development:
        return Remark("note", f"{key}: {path} is not encrypted: whoever copies the file can sign", "docs/keys.md")
    return Remark("ok", f"{key}: {path}")


def _public(project: Project, reference: str, key: str, absent: str) -> Remark:
    path = project.resolve(reference)
    if os.path.exists(path):
        return Remark("ok", f"{key}: {path}")
    if not path.endswith(".pub.pem"):
        return Remark(absent, f"{key}: {path} is not there", "put it there: imgseal key public writes public halves")
    private = path.removesuffix(".pub.pem") + ".pem"
    mend = new_key(private, development=key.startswith("trust.development"))
    if os.path.exists(private):
        mend = f"imgseal key public {quoted(private)} --out {quoted(path)}"
    return Remark(absent, f"{key}: {path} is not there", mend)


def _slots(product: "Product") -> "Iterator[Remark]":
    from imgseal.make.place import linker_region

    for component in product.components.values():
        for slot in component.run:
            yield Remark("ok", f"{component.name} in {slot}: link it with {linker_region(product, component, slot)}")
        if component.kind == "code" and not component.returns and not component.recovery:
            yield Remark(
                "note",
                f"{component.name} has no way back: a release that does not start cannot be undone",
                "a second run slot, or a keep slot (docs/format/product-file.md)",
            )
    if product.slot_holding("records") is None:
        yield Remark(
            "note",
            'no slot holds "records": rehearse, device apply and factory need one',
            'three erase blocks of trusted flash with holds = "records"',
        )


def _factory(project: Project, *, for_release: bool) -> "Iterator[Remark]":
    """Look for the files that the production line needs beside packages."""
    factory = project.product.factory
    absent = "missing" if for_release else "note"
    named = [("factory.bootloader", factory.bootloader)] if factory.bootloader is not None else []
    named += [(f"factory.range ({part.what})", part.file) for part in factory.ranges]
    for key, file in named:
        path = project.resolve(file)
        if os.path.exists(path):
            yield Remark("ok", f"{key}: {path}")
        else:
            yield Remark(absent, f"{key}: {path} is not there", "build it or put it there: imgseal factory needs it")
    slot = project.product.slot_holding("bootloader")
    if slot is not None and factory.bootloader is None:
        yield Remark(
            "note",
            f"slot.{slot.name} holds the bootloader, and factory.bootloader names none: imgseal factory would stop",
            '[factory] bootloader = "FILE" in the product file',
        )


def _surroundings(project: Project, *, for_release: bool) -> "Iterator[Remark]":
    from importlib.util import find_spec

    ignore = os.path.join(project.folder, ".gitignore")
    ignored = read_text(ignore, ".gitignore", KEY_FILE_BYTES) if os.path.exists(ignore) else ""
    if os.path.isdir(os.path.join(project.folder, ".git")) and "*.pem" not in ignored:
        yield Remark("missing", "version control would take private keys", f'add "*.pem" and "!*.pub.pem" to {ignore}')
    yield _log(project)
    uses = any(
        is_token_uri(reference)
        for keys in project.product.signing.values()
        for reference in (*keys.images, *keys.packages)
    )
    if uses and find_spec("pkcs11") is None:
        state = "missing" if for_release else "note"
        yield Remark(
            state, "keys are in tokens, and the library for them is not installed", "pip install 'imgseal[token]'"
        )
    yield Remark("ok", f"Python {sys.version.split()[0]}")


def _log(project: Project) -> Remark:
    """Verify the release log from its first line."""
    if project.product.log is None:
        return Remark(
            "note",
            "no release log: nothing remembers which sequence and counters have been released",
            '[log] path = "release.log" in the product file',
        )
    from imgseal.workspace.log_file import LogFile

    path = project.resolve(project.product.log)
    if not os.path.lexists(path):
        return Remark("ok", f"log: {path} is not there yet; the first imgseal build --release makes it")
    log, last = LogFile(path), None
    try:
        for step in log.walk():
            last = step.entry
    except ImgsealError as error:
        where = "" if error.place.line is None else f":{error.place.line}"
        return Remark("missing", f"log: {path}{where}: {error.message}", error.hint or "restore it from a backup")
    newest = "" if last is None else f", the last of {last.version} with sequence {last.sequence}"
    size = log.head.size
    return Remark("ok", f"log: {path}, {size} {'entry' if size == 1 else 'entries'}{newest}")


def _map(argument: str, product: "Product") -> "Iterator[Remark]":
    """Hold a linker map against the slots of its component."""
    from imgseal.formats.source.linker_map import read_map

    name, equals, path = argument.partition("=")
    if not equals or not path:
        raise UsageError("--map takes NAME=FILE", found=argument, hint="for example: --map motor=build/app.map")
    component = component_of(product, name)
    text = read_bounded(path, "linker map", MAP_BYTES).decode("utf-8", "replace")
    linked = read_map(text.splitlines(), path)
    rooms = [_room(product, component, index) for index in range(len(component.run))]
    for slot, start, size in rooms:
        region = next((r for r in linked.regions if r.origin == start), None)
        if region is None:
            continue
        used = linked.loaded_in(start, start + size)
        shown = f"{name}: {path} is linked for {slot}, {used / 1024:.1f} of {size / 1024:.1f} KiB"
        if region.length > size:
            yield Remark(
                "missing",
                f"{shown}; region {region.name} is {region.length - size} bytes longer than the slot",
                f"LENGTH = 0x{size:x} in the linker script",
            )
        elif used > size:
            yield Remark("missing", f"{shown}: it does not fit", "make it smaller, or the slot larger")
        else:
            yield Remark("ok", shown)
        return
    starts = ", ".join(f"0x{start:08x} ({slot})" for slot, start, _ in rooms)
    found = ", ".join(f"{r.name} 0x{r.origin:08x}" for r in linked.regions)
    yield Remark(
        "missing",
        f"{name}: {path} is linked for no run slot: {found}; payloads begin at {starts}",
        "imgseal show --linker prints the MEMORY lines",
    )


def _room(product: "Product", component: "Component", index: int) -> tuple[str, int, int]:
    """Return a run slot's name, where its payload begins, and how many bytes it may have."""
    slot = product.slots[component.run[index]]
    header = 0 if component.header else component.header_block
    return slot.name, product.slot_base(slot.name) + header, slot.size - header
