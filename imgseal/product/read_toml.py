"""Reads `imgseal.toml`: strict, complete, and with the line of every mistake."""

from collections.abc import Callable, Iterable, Mapping

from imgseal.errors import Place, UsageError
from imgseal.product import model, signature_room, slot_plan
from imgseal.product.channels import read_channels
from imgseal.product.identifiers import class_identifier, vendor_identifier
from imgseal.product.include import ReadFile, add_included
from imgseal.product.left_to_log import LastNumbers, Numbers, last_numbers, with_first
from imgseal.product.parse_toml import Tree, parse
from imgseal.product.read_parts import read_component, read_memory, read_slot
from imgseal.product.read_trust import read_references, read_rules, read_trust
from imgseal.product.replace import overlay, override
from imgseal.product.table import Document, Table
from imgseal.values import shown


def read(
    text: str,
    *,
    name: str,
    overrides: Mapping[str, str] | None = None,
    local_text: str | None = None,
    variant: str | None = None,
    read_file: ReadFile | None = None,
    numbers: Numbers | None = None,
) -> model.Product:
    """Read a product file; `name` is shown in errors.

    `overrides` are the --set pairs, `local_text` is imgseal.local.toml (signing references only), `variant` picks
    [variant.NAME], `read_file` reads what is included. `numbers` is asked where a sequence is "next" or a counter
    "same"; without it there is no release before. Every variant is read, so that its mistakes show at once. Raises
    UsageError.
    """
    base, variants = _read(text, name, overrides, local_text, read_file, numbers)
    if variant is None:
        return base()
    if variant not in variants:
        raise UsageError(
            "the product file has no such variant",
            place=Place(file=name),
            expected=", ".join(variants) or "no variant at all",
            found=variant,
            hint="name a variant of the product file, or leave --variant out",
        )
    return variants[variant]


def read_every(
    text: str,
    *,
    name: str,
    overrides: Mapping[str, str] | None = None,
    local_text: str | None = None,
    read_file: ReadFile | None = None,
    numbers: Numbers | None = None,
) -> tuple[model.Product, ...]:
    """Read a product file as `read` does; return the product as it is without a variant, then each variant."""
    base, variants = _read(text, name, overrides, local_text, read_file, numbers)
    return (base(), *variants.values())


def _read(
    text: str,
    name: str,
    overrides: Mapping[str, str] | None,
    local_text: str | None,
    read_file: ReadFile | None,
    numbers: Numbers | None,
) -> tuple[Callable[[], model.Product], dict[str, model.Product]]:
    """Return what reads the product without a variant, and each variant by its name."""
    overrides = overrides or {}
    document = Document(text, name, given=overrides)
    tree = parse(text, name)
    if "line" in tree:
        document.refuse(
            ("line",),
            "this file names the products of a line, and is none itself",
            "a product file",
            "[line]",
            "name one of its products: --product NAME, or work in that product's folder",
        )
    notes = _old_words(document, tree)
    add_included(document, tree, read_file)
    if local_text is not None:
        document.local = _merge_local(tree, local_text, name)
    override(tree, overrides, name)
    tables = tree.get("variant", {})
    if not isinstance(tables, dict):
        document.refuse(("variant",), "this is no table", "tables [variant.NAME]", shown(tables))
    variants = {}
    for key in tables:
        document.refuse_bad_name(("variant", key))
        variants[key] = _product(*overlay(document, tree, key, overrides), key, numbers)
    names = {key: each.class_name for key, each in variants.items()}

    def whole(product: model.Product) -> model.Product:
        return product._replace(variants=names, notes=notes)

    return lambda: whole(_product(document, tree, None, numbers)), {key: whole(each) for key, each in variants.items()}


def resolved(
    text: str,
    *,
    name: str,
    overrides: Mapping[str, str] | None = None,
    variant: str | None = None,
    read_file: ReadFile | None = None,
) -> dict[str, object]:
    """Return the tree of a product file with all that it includes, the --set pairs and one variant in their places.

    It has no variants. For a text that `read` takes with the same arguments.
    """
    document = Document(text, name)
    tree = parse(text, name)
    _old_words(document, tree)
    add_included(document, tree, read_file)
    override(tree, overrides or {}, name)
    if variant is not None:
        _, tree = overlay(document, tree, variant, overrides or {})
    tree.pop("variant", None)
    return tree


def _old_words(document: Document, tree: Tree) -> tuple[str, ...]:
    """Put [ledger], as 0.1 called it, in the place of [log], and say so; both together are refused."""
    if "ledger" not in tree:
        return ()
    if "log" in tree:
        document.refuse(
            ("ledger",),
            "the release log is stated twice: [ledger] is the old name of [log]",
            "[log] alone",
            "[ledger] and [log]",
            "take [ledger] out",
        )
    tree["log"] = tree.pop("ledger")
    document.moved = {("log",): ("ledger",)}
    return (f"{document.name}: [ledger] is called [log] now; this version still reads it",)


def _merge_local(tree: Tree, local_text: str, name: str) -> Document:
    local_name = name[:-5] + ".local.toml" if name.endswith(".toml") else name + ".local.toml"
    document = Document(local_text, local_name)
    local = parse(local_text, local_name)
    channels = tree.get("channel", {})
    tables = _signing_tables(channels if isinstance(channels, dict) else {})
    expected = " or ".join(f"[signing.{name}]" for name in tables)
    for key in local:
        if key != "signing":
            document.refuse((key,), "a local file overrides signing keys only", expected, key)
    signing = local.get("signing", {})
    if not isinstance(signing, dict):
        document.refuse(("signing",), "this is no table", expected, shown(signing))
    target = tree.setdefault("signing", {})
    for which, values in signing.items():
        _signing_keys(document, which, values, tables)
        if isinstance(target, dict):
            place = target.setdefault(which, {})
            if isinstance(place, dict):
                place.update(values)
    return document


def _product(document: Document, tree: Tree, variant: str | None, numbers: Numbers | None) -> model.Product:
    root = Table(document, tree, (), "")
    root.get("format")
    product = root.table("product", "product")
    vendor = product.get("vendor")
    vendor_id = vendor_identifier(vendor)
    class_name = product.get("class")
    class_id = class_identifier(vendor_id, class_name)
    log, pin = _log(root.table("log", "log")) if "log" in root else (None, None)
    tables = root.tables("component", "component.NAME")  # what is none is refused here, as of memories and slots
    last = last_numbers(root, class_id, log, numbers)
    release = _release(root.table("release", "release"), last)
    memories = {n: read_memory(t) for n, t in root.tables("memory", "memory.NAME").items()}
    slots = {n: read_slot(t, memories) for n, t in root.tables("slot", "slot.NAME").items()}
    by_name = {n: t.get("number") for n, t in tables.items()}
    last = with_first(last, root, by_name)
    components = {n: read_component(t, n, by_name, slots, memories, release.version, last) for n, t in tables.items()}
    trust = read_trust(root.table("trust", "trust"), components)
    channels = read_channels(root, trust)
    signing = root.items("signing").items()
    tables_of_keys = _signing_tables(channels)
    waits = root.table("delivery", "delivery")
    made = model.Product(
        document=document,
        name=product.get("name"),
        vendor=vendor,
        class_name=class_name,
        vendor_id=vendor_id,
        class_id=class_id,
        hardware=product.at("hardware").hardware(),
        release=release,
        signing={which: _signing_keys(document, which, keys, tables_of_keys) for which, keys in signing},
        memories=memories,
        slots=slots,
        components=components,
        bootloader=root.table("bootloader", "bootloader").record(model.Bootloader) if "bootloader" in root else None,
        trust=trust,
        rules=read_rules(root.table("rules", "rules")),
        limits=root.table("limits", "limits").record(model.Limits),
        factory=_factory(root.table("factory", "factory"), components),
        text=root.table("text", "text").record(model.Text),
        variants={},
        variant=variant,
        log=log,
        pin=pin,
        gate=read_gate(root.table("gate", "gate")),
        after_end=root.table("firmware", "firmware").get("after_end"),
        channels=channels,
        layout=root.table("layout", "layout").record(model.LayoutRevision),
        delivery_slot=waits.get("slot"),
        delivery_steps=waits.get("steps"),
    )
    slot_plan.check(made, document)
    signature_room.check(made, document)
    return made


def _signing_tables(channels: Iterable[str]) -> dict[str, str]:
    """Return what tables [signing] may have, and whose keys they have: a channel signs its packages with its own."""
    own = ("development", "release")
    return {name: f"signing.{name}" for name in own} | {name: "signing.NAME" for name in channels if name not in own}


def _signing_keys(document: Document, which: str, values: object, tables: Mapping[str, str]) -> model.SigningKeys:
    """Read the signing keys of development, of releases, or of the packages of a channel."""
    if which not in tables:
        document.refuse(("signing", which), "unknown key", " or ".join(tables), which)
    table = Table(document, values, ("signing", which), tables[which])
    if tables[which] == "signing.NAME":
        table.raw("packages")
        return model.SigningKeys((), read_references(table, "packages"))
    images, packages = read_references(table, "images"), read_references(table, "packages")
    return model.SigningKeys(images, packages, read_references(table, "deliveries") if which == "release" else ())


def _factory(table: Table, components: Mapping[str, model.Component]) -> model.Factory:
    counters = {}
    for name, value in table.items("counters").items():
        if name not in components:
            table.document.refuse((*table.path, "counters", name), "no such component", ", ".join(components), name)
        most = components[name].counter
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
            expected = f"0 to {most} (component.{name}.counter)"
            table.document.refuse(
                (*table.path, "counters", name),
                "this is no first counter: devices would refuse the image that they are made with",
                expected,
                shown(value),
                f"lower it, or raise component.{name}.counter",
            )
        counters[name] = value
    ranges = tuple(row.record(model.FactoryRange) for row in table.rows("range", "factory.range"))
    return model.Factory(table.get("bootloader"), ranges, counters)


def _release(table: Table, last: LastNumbers) -> model.Release:
    sequence = table.get("sequence")
    following = sequence == "next"
    return model.Release(table.get("version"), last.sequence + 1 if following else sequence, following)


def _log(table: Table) -> tuple[str, str | None]:
    """Return the path of the release log, and that of its pin."""
    log, pin = table.get("path"), table.get("pin")
    if pin == log:
        table.refuse("pin", "the pin and the log are two files", 'a path such as "release.head"', pin)
    return log, pin


def read_gate(table: Table) -> model.Gate:
    """Read [gate]."""
    exceptions = table.rows("exception", "gate.exception")
    return model.Gate(table.get("raw"), tuple(row.record(model.GateException) for row in exceptions))
