"""`imgseal doctor`: looks at a project and says what is missing, each with the command that mends it."""

import os
import sys
from collections.abc import Iterator

import click

from imgseal.errors import ImgsealError, UsageError
from imgseal.formats.install_record.room import PLACES_ADVISED, place_bytes
from imgseal.limits import KEY_FILE_BYTES, MAP_BYTES
from imgseal.product.model import Product
from imgseal.product.references import is_token_uri
from imgseal.product.starter import STARTER_VENDOR
from imgseal.records import NamedTuple
from imgseal.workspace.files import PRODUCT_NAME, read_bounded
from imgseal.workspace.firmware import component_of
from imgseal.workspace.key_files import held_elsewhere, new_key, open_to_others, quoted
from imgseal.workspace.line import load_products
from imgseal.workspace.product_files import LOCAL_NAME, read_text
from imgseal.workspace.project import Project


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
@click.option("--product", "product_file", metavar="FILE|NAME", help=f"Use this instead of the nearest {PRODUCT_NAME}.")
def command(for_release: bool, maps: tuple[str, ...], product_file: str | None) -> int:
    """Look at product file, keys, slots and tools, and say what is missing and what mends it.

    Nothing is changed and nothing is signed. Keys are looked at by name and permissions; none is opened.
    """
    try:
        products = load_products(product_file)
    except ImgsealError as error:
        for line in error.lines():
            click.echo(line)
        click.echo("missing  a product file that can be read; then run this again")
        click.echo(f"         mend: {error.hint or 'imgseal init'}")
        return 1
    if maps:
        products.one()
    missing = 0
    for project, *_ in products.members:
        if products.is_line:
            click.echo(f"{project.product.name}:")
        missing += _say(_remarks(project, "missing" if for_release else "note", maps))
    click.echo("nothing is missing" if not missing else f"{missing} missing")
    return 1 if missing else 0


def _remarks(project: Project, for_releases: str, maps: tuple[str, ...]) -> list[Remark]:
    remarks = [
        *_product(project),
        *_waiting(project),
        *_keys(project, for_releases),
        *_slots(project.product),
        *_factory(project, for_releases),
        *_surroundings(project, for_releases),
        *(_map(argument, project.product) for argument in maps),
    ]
    return [each for n, each in enumerate(remarks) if not _said(each, remarks[:n])]


def _say(remarks: list[Remark]) -> int:
    """Print the remarks on one product; return how much is missing."""
    for remark in remarks:
        click.echo(f"{remark.state:<8} {remark.what}")
        if remark.mend:
            click.echo(f"         mend: {remark.mend}")
    return sum(remark.state == "missing" for remark in remarks)


def _said(remark: Remark, before: list[Remark]) -> bool:
    """Say whether something is missing only because of what is missing already: the public half of a key to be made."""
    return remark.state != "ok" and remark.mend != "" and any(each.mend == remark.mend for each in before)


def _product(project: Project) -> Iterator[Remark]:
    product = project.product
    parts = ", ".join(f"{name} ({'/'.join(c.run)})" for name, c in product.components.items())
    yield Remark("ok", f"{project.path}: {product.name} {product.release.version}, components {parts}")
    if product.vendor == STARTER_VENDOR:
        yield Remark(
            "note",
            f"product.vendor is still {product.vendor}, as imgseal init writes it: identifiers on devices come from it",
            "put a domain of your own there before the first device is made; docs/format/product-file.md",
        )


def _waiting(project: Project) -> Iterator[Remark]:
    """Say where deliveries wait, where the product file says it."""
    from imgseal.product.waiting import room_for_delivery

    waits = room_for_delivery(project.product)
    if waits is not None:
        yield Remark("ok", f"deliveries wait in slot.{waits[0]}: at most {waits[1]} bytes")


def _delivery_keys(project: Project, absent: str) -> Iterator[Remark]:
    """Look at the keys that sign deliveries; a product needs none for them alone."""
    release = project.product.signing.get("release")
    references = () if release is None else release.deliveries
    if project.product.trust.deliveries and not references:
        yield Remark(
            absent,
            "signing.release.deliveries names no key, and devices take deliveries by keys for these alone",
            f"name the private half of a key of trust.deliveries there, or in {LOCAL_NAME}",
        )
    for reference in references:
        yield _private(project, reference, "signing.release.deliveries", absent, development=False)


def _keys(project: Project, for_releases: str) -> Iterator[Remark]:
    """Look at every key that the product file names."""
    from imgseal.keys.published import origin_of

    product = project.product
    for table in dict.fromkeys(("development", "release", *product.signing)):
        keys = product.signing.get(table)
        absent = "missing" if table == "development" else for_releases
        for role in ("packages",) if table in product.channels else ("images", "packages"):
            references = getattr(keys, role) if keys is not None else ()
            key = f"signing.{table}.{role}"
            if not references:
                yield Remark(
                    absent, f"{key} names no key", f"name one there, or in {LOCAL_NAME}; imgseal key new FILE makes it"
                )
            for reference in references:
                yield _private(project, reference, key, absent, development=table == "development")
    yield from _delivery_keys(project, for_releases)
    trust = product.trust
    for role, entries in trust.roles.items():
        for entry in entries:
            absent = "missing" if role.startswith("development.") else for_releases
            yield _public(project, entry.key, f"trust.{role}", absent)
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
    for name, reference in (("trust.apex", trust.apex), ("trust.contingency", trust.contingency)):
        if reference is not None:
            yield _public(project, reference, name, for_releases)
    try:
        known = project.trust(absent=True)
    except ImgsealError as error:
        yield Remark("missing", f"the trusted keys do not fit together: {error.message}", error.hint or "")
        return
    for anchor in known.keys:
        if origin_of(anchor.public) is not None and not anchor.development:
            what = f"{anchor.source}: everyone can sign with this key"
            yield Remark("missing", what, "make one of your own: imgseal key new FILE")


def _private(project: Project, reference: str, key: str, absent: str, *, development: bool) -> Remark:
    if is_token_uri(reference):
        if os.environ.get("IMGSEAL_PKCS11_MODULE"):
            return Remark("ok", f"{key}: {reference} (not opened)")
        what = f"{key}: a token, and nothing says which module reaches it"
        return Remark(absent, what, "set IMGSEAL_PKCS11_MODULE")
    path = project.resolve(reference)
    if not os.path.exists(path):
        mend = held_elsewhere(path, reference, key) or new_key(path, development=development)
        return _file(key, path, absent, mend)
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
    private = path.removesuffix(".pub.pem") + ".pem"
    if not path.endswith(".pub.pem"):
        mend = "put it there: imgseal key public writes public halves"
    elif os.path.exists(private):
        mend = f"imgseal key public {quoted(private)} --out {quoted(path)}"
    else:
        mend = new_key(private, development=key.startswith("trust.development"))
    return _file(key, path, absent, mend)


def _file(key: str, path: str, absent: str, mend: str) -> Remark:
    """Say whether the file that a key of the product file names is there."""
    there = os.path.exists(path)
    return Remark("ok", f"{key}: {path}") if there else Remark(absent, f"{key}: {path} is not there", mend)


def _slots(product: Product) -> Iterator[Remark]:
    from imgseal.check.trust_update import fixed_by
    from imgseal.make.place import linker_region
    from imgseal.product.flash_behaviours import asked

    for component in product.components.values():
        for slot in component.run:
            yield Remark("ok", f"{component.name} in {slot}: link it with {linker_region(product, component, slot)}")
        if component.kind == "code" and not component.returns and not component.recovery:
            yield Remark(
                "note",
                f"{component.name} has no way back: a release that does not start cannot be undone",
                "a second run slot, or a keep slot (docs/format/product-file.md)",
            )
    for where, behaviour, asks in asked(product):
        yield Remark("note", f"memory.{where} behaves so: {behaviour}", f"{asks} (docs/format/flash-model.md)")
    if (fixed := fixed_by(product)) is not None:
        yield Remark(
            "note",
            f"devices keep their trust anchors for ever: {fixed}",
            'two erase blocks of trusted flash with holds = "anchors", before the first device is made',
        )
    records = product.slot_holding("records")
    if records is None:
        yield Remark(
            "note",
            'no slot holds "records": rehearse, device apply and factory need one',
            f'{PLACES_ADVISED} erase blocks of trusted flash with holds = "records"',
        )
        return
    memory = product.memories[records.memory]
    place = place_bytes(len(product.components), memory.erase_block, memory.write_unit)
    if records.size < PLACES_ADVISED * place:
        yield Remark(
            "note",
            f"slot.{records.name} has {records.size // place} places; each more survives two more power cuts in a row",
            f"at least {PLACES_ADVISED * place} bytes, {PLACES_ADVISED} places (docs/format/install-record.md)",
        )


def _factory(project: Project, for_releases: str) -> Iterator[Remark]:
    """Look for the files that the production line needs beside packages."""
    factory = project.product.factory
    named = [("factory.bootloader", factory.bootloader)] if factory.bootloader is not None else []
    named += [(f"factory.range ({part.what})", part.file) for part in factory.ranges]
    for key, file in named:
        yield _file(key, project.resolve(file), for_releases, "build it or put it there: imgseal factory needs it")
    slot = project.product.slot_holding("bootloader")
    if slot is not None and factory.bootloader is None:
        yield Remark(
            "note",
            f"slot.{slot.name} holds the bootloader, and factory.bootloader names none: imgseal factory would stop",
            '[factory] bootloader = "FILE" in the product file',
        )


def _surroundings(project: Project, for_releases: str) -> Iterator[Remark]:
    from importlib.util import find_spec

    ignore = os.path.join(project.folder, ".gitignore")
    ignored = read_text(ignore, ".gitignore", KEY_FILE_BYTES) if os.path.exists(ignore) else ""
    if os.path.isdir(os.path.join(project.folder, ".git")) and "*.pem" not in ignored:
        yield Remark("missing", "version control would take private keys", f'add "*.pem" and "!*.pub.pem" to {ignore}')
    log = _log(project)
    yield log
    if log.state == "ok":
        if project.pin_path is None:
            what = "no pin of the log: one that was cut off would not be noticed"
            yield Remark("note", what, f'pin = "release.head" in [log] of {project.path}; then imgseal log pin')
        yield from _layout(project, for_releases)
    signing = project.product.signing.values()
    in_tokens = any(is_token_uri(reference) for keys in signing for reference in (*keys.images, *keys.packages))
    if in_tokens and find_spec("pkcs11") is None:
        what = "keys are in tokens, and the library for them is not installed"
        yield Remark(for_releases, what, "pip install 'imgseal[token]'")
    yield Remark("ok", f"Python {sys.version.split()[0]}")


def _log(project: Project) -> Remark:
    """Verify the release log from its first line."""
    path = project.log_path
    if path is None:
        return Remark(
            "note",
            "no release log: nothing remembers which sequence and counters have been released",
            '[log] path = "release.log" in the product file',
        )
    from imgseal.workspace.log_file import LogFile
    from imgseal.workspace.verified_log import open_log

    if not os.path.lexists(path):
        return Remark(
            "missing",
            f"log: {path} is not there",
            "restore it from version control; imgseal log new begins one, where nothing was released",
        )
    log, last = LogFile(path), None
    try:
        for entry in log.releases():
            last = entry
        open_log(project)  # and its pin
    except ImgsealError as error:
        where = "" if error.place.line is None else f":{error.place.line}"
        return Remark(
            "missing",
            f"log: {error.place.file or path}{where}: {error.message}",
            error.hint or "restore it from a backup",
        )
    newest = "" if last is None else f", the last of {last.version} with sequence {last.sequence}"
    size = log.head.size
    pending = sorted({str(row.entry) for floor in log.tip.least for row in floor.open})
    held = f"; numbers are reserved by {', '.join(pending)}" if pending else ""
    return Remark("ok", f"log: {path}, {size} {'entry' if size == 1 else 'entries'}{newest}{held}")


def _layout(project: Project, for_releases: str) -> Iterator[Remark]:
    """Say where the product file has moved away from what the log remembers of the devices."""
    from imgseal.formats.log.layout_differences import layout_differences
    from imgseal.workspace.fielded import logged_floors
    from imgseal.workspace.layouts import refuse_other_class, remembered_of
    from imgseal.workspace.log_entries import layout_of
    from imgseal.workspace.verified_log import open_log

    known, product = remembered_of(project, logged_floors(project)), project.product
    if known is None:
        log = open_log(project)
        try:
            if log is not None:
                refuse_other_class(product, (product.class_id, product.variant or ""), log)
        except UsageError as error:
            what = f"{error.place}: {error.found}; the release log has {error.expected}"
            yield Remark(for_releases, what, error.hint or "put it back as it was")
        return
    differences = layout_differences(known.layout, layout_of(product))
    meant = product.layout.revision > known.layout.revision
    for each in differences:
        place = product.place(each.key)
        what = f"{place}: {each.found}; entry {known.entry} of {project.log_path} has {each.expected}"
        if meant:
            yield Remark("note", f"{what}, which layout.revision {product.layout.revision} leaves behind")
        else:
            mend = f"{place.key}: {each.mend}; or see [layout] in docs/format/product-file.md: it would strand devices"
            yield Remark(for_releases, what, mend)


def _map(argument: str, product: Product) -> Remark:
    """Hold a linker map against the slots of its component."""
    from imgseal.formats.source.linker_map import read_map

    name, equals, path = argument.partition("=")
    if not equals or not path:
        raise UsageError("--map takes NAME=FILE", found=argument, hint="for example: --map motor=build/app.map")
    component = component_of(product, name)
    text = read_bounded(path, "linker map", MAP_BYTES).decode("utf-8", "replace")
    linked = read_map(text.splitlines(), path)
    header = component.payload_offset
    starts = {product.slot_base(slot) + header: product.slots[slot] for slot in component.run}
    region = next((region for start in starts for region in linked.regions if region.origin == start), None)
    if region is None:
        found = ", ".join(f"{r.name} 0x{r.origin:08x}" for r in linked.regions)
        expected = ", ".join(f"0x{start:08x} ({slot.name})" for start, slot in starts.items())
        what = f"{name}: {path} is linked for no run slot: {found}; payloads begin at {expected}"
        return Remark("missing", what, "imgseal show --linker prints the MEMORY lines")
    slot, size = starts[region.origin], starts[region.origin].size - header
    used = linked.loaded_in(region.origin, region.origin + size)
    shown = f"{name}: {path} is linked for {slot.name}, {used / 1024:.1f} of {size / 1024:.1f} KiB"
    if region.length > size:
        what = f"{shown}; region {region.name} is {region.length - size} bytes longer than the slot"
        return Remark("missing", what, f"LENGTH = 0x{size:x} in the linker script")
    if used > size:
        return Remark("missing", f"{shown}: it does not fit", "make it smaller, or the slot larger")
    return Remark("ok", shown)
