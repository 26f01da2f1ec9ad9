"""Reads `imgseal.toml`: strict, complete, and with the line of every mistake."""

from collections.abc import Callable, Mapping

from imgseal.errors import Place, UsageError
from imgseal.product import signature_room, slot_plan
from imgseal.product.include import ReadFile, add_included
from imgseal.product.left_to_log import Numbers, last_numbers, with_first
from imgseal.product.model import (
    Bootloader,
    Component,
    Factory,
    FactoryRange,
    Gate,
    GateException,
    Limits,
    Product,
    Release,
    SigningKeys,
    Text,
    class_identifier,
    vendor_identifier,
)
from imgseal.product.parse_toml import parse
from imgseal.product.read_parts import read_component, read_hardware, read_memory, read_slot
from imgseal.product.read_trust import read_references, read_rules, read_trust
from imgseal.product.replace import overlay, override
from imgseal.product.table import Document, Table, Value
from imgseal.values import shown

_U32 = 0xFFFF_FFFF
_Tree = dict[str, object]


def read(
    text: str,
    *,
    name: str,
    overrides: Mapping[str, str] | None = None,
    local_text: str | None = None,
    variant: str | None = None,
    read_file: ReadFile | None = None,
    numbers: Numbers | None = None,
) -> Product:
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
) -> tuple[Product, ...]:
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
) -> tuple[Callable[[], Product], dict[str, Product]]:
    """Return what reads the product without a variant, and each variant by its name."""
    document = Document(text, name)
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
    stated = add_included(document, tree, read_file)
    if local_text is not None:
        _merge_local(tree, local_text, name)
    overrides = overrides or {}
    override(tree, overrides, name)
    tables = tree.get("variant", {})
    if not isinstance(tables, dict):
        document.refuse(("variant",), "this is no table", "tables [variant.NAME]", shown(tables))
    variants = {}
    for key in tables:
        document.refuse_bad_name(("variant", key))
        variants[key] = _product(*overlay(document, tree, key, overrides), key, numbers)
    names = {key: each.class_name for key, each in variants.items()}
    included = tuple(each.name for each in document.included)

    def whole(product: Product) -> Product:
        return product._replace(variants=names, notes=notes, included=included, stated=stated)

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


def _old_words(document: Document, tree: _Tree) -> tuple[str, ...]:
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


def _merge_local(tree: _Tree, local_text: str, name: str) -> None:
    local_name = name[:-5] + ".local.toml" if name.endswith(".toml") else name + ".local.toml"
    document = Document(local_text, local_name)
    local = parse(local_text, local_name)
    for key in local:
        if key != "signing":
            document.refuse(
                (key,), "a local file overrides signing keys only", "[signing.development] or [signing.release]", key
            )
    signing = local.get("signing", {})
    if not isinstance(signing, dict):
        document.refuse(("signing",), "this is no table", "[signing.development] or [signing.release]", shown(signing))
    target = tree.setdefault("signing", {})
    for which, values in signing.items():
        if which not in ("development", "release"):
            document.refuse(("signing", which), "unknown key", "development or release", which)
        table = Table(document, values, ("signing", which), f"signing.{which}")
        for key in values:
            read_references(table, key)
        if isinstance(target, dict):
            place = target.setdefault(which, {})
            if isinstance(place, dict):
                place.update(values)


def _product(document: Document, tree: _Tree, variant: str | None, numbers: Numbers | None) -> Product:
    root = Table(document, tree, (), "")
    root.integer("format", 1, 1)
    product = root.table("product", "product")
    vendor = product.text("vendor", limit=253)
    if not all(c.isascii() and (c.isalnum() or c in "-.") for c in vendor) or "." not in vendor.strip("."):
        product.refuse("vendor", "this is no domain", 'a domain you own, such as "quillmoor.example"', vendor)
    vendor_id = vendor_identifier(vendor)
    class_name = product.text("class", limit=256)
    release_table = root.table("release", "release")
    class_id = class_identifier(vendor_id, class_name)
    log, pin = _log(root.table("log", "log")) if "log" in root else (None, None)
    last = last_numbers(root, class_id, log, numbers)
    following = release_table.raw("sequence") == "next"
    sequence = last.sequence + 1 if following else release_table.integer("sequence", 0, _U32)
    release = Release(release_table.at("version").version(), sequence, following)
    memories = {n: read_memory(t) for n, t in root.tables("memory", "memory.NAME").items()}
    slots = {n: read_slot(t, memories) for n, t in root.tables("slot", "slot.NAME").items()}
    tables = root.tables("component", "component.NAME")
    by_name = {n: t.integer("number", 1, 255) for n, t in tables.items()}
    last = with_first(last, root, by_name)
    components = {n: read_component(t, n, by_name, slots, memories, release.version, last) for n, t in tables.items()}
    signing_table = root.items("signing")
    signing = {}
    for which in signing_table:
        if which not in ("development", "release"):
            document.refuse(("signing", which), "unknown key", "development or release", which)
        table = Table(document, signing_table[which], ("signing", which), f"signing.{which}")
        signing[which] = SigningKeys(read_references(table, "images"), read_references(table, "packages"))
    rules = read_rules(root.table("rules", "rules"))
    name = product.text("name", limit=64)
    if not name.isascii() or not name.replace("-", "").replace("_", "").isalnum():
        product.refuse("name", "a name that would not make a file name", "letters, digits, - and _", name)
    limits = root.table("limits", "limits")
    made = Product(
        source=document.name,
        name=name,
        vendor=vendor,
        class_name=class_name,
        vendor_id=vendor_id,
        class_id=class_id,
        hardware=read_hardware(product),
        release=release,
        signing=signing,
        memories=memories,
        slots=slots,
        components=components,
        bootloader=_bootloader(root.table("bootloader", "bootloader")) if "bootloader" in root else None,
        trust=read_trust(root.table("trust", "trust"), components),
        rules=rules,
        limits=Limits(
            limits.optional("down_time", Value.number),
            limits.optional("update_time", Value.number),
            limits.optional("boot_time", Value.number),
        ),
        factory=_factory(root.table("factory", "factory"), components),
        text=_text(root.table("text", "text")),
        variants={},
        variant=variant,
        log=log,
        pin=pin,
        gate=read_gate(root.table("gate", "gate")) if "gate" in root else Gate(),
        after_end=root.table("firmware", "firmware").choice("after_end", ("refuse", "ignore"), "refuse"),
    )
    slot_plan.check(made, document)
    signature_room.check(made, document)
    return made


def _bootloader(table: Table) -> Bootloader:
    rate = table.optional("hash_rate", Value.size)
    return Bootloader(table.at("version").version(), rate, table.optional("verify_ms", Value.number))


def _factory(table: Table, components: Mapping[str, Component]) -> Factory:
    counters = {}
    values = table.items("counters")
    for name in values:
        if name not in components:
            table.document.refuse((*table.path, "counters", name), "no such component", ", ".join(components), name)
        component = components[name]
        value = values[name]
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= component.counter:
            expected = f"0 to {component.counter} (component.{name}.counter)"
            table.document.refuse((*table.path, "counters", name), "no first counter", expected, str(value))
        counters[name] = value
    ranges = tuple(
        FactoryRange(
            row.text("file"),
            row.integer("at", 0, _U32) if "at" in row else None,
            row.text("what", "configuration"),
        )
        for row in table.rows("range", "factory.range")
    )
    return Factory(table.optional("bootloader", Value.text), ranges, counters)


def _log(table: Table) -> tuple[str, str | None]:
    """Return the path of the release log, and that of its pin."""

    def path(key: str, such: str) -> str:
        text = table.text(key, limit=1024)
        if not text.isprintable() or text.endswith("/"):
            table.refuse(key, "this is no file name", f'a path such as "{such}"', repr(text))
        return text

    log = path("path", "release.log")
    pin = path("pin", "release.head") if "pin" in table else None
    if pin == log:
        table.refuse("pin", "the pin and the log are two files", 'a path such as "release.head"', pin)
    return log, pin


def read_gate(table: Table) -> Gate:
    """Read [gate]."""
    raw = table.texts("raw", ())
    rows = table.rows("exception", "gate.exception")
    patterns = [(table, "raw", text) for text in raw] + [(row, "path", row.text("path")) for row in rows]
    for where, key, pattern in patterns:
        from imgseal.product.path_pattern import wrong_with  # noqa: PLC0415 - where there are patterns

        wrong = wrong_with(pattern)
        if wrong is not None:
            where.refuse(key, "this is no path pattern", 'a pattern such as "third-party/*.hex"', f"{pattern}: {wrong}")
    return Gate(raw, tuple(GateException(row.text("path"), row.text("reason"), row.at("until").day()) for row in rows))


def _text(table: Table) -> Text:
    language = table.text("language", "en", limit=35)
    parts = language.split("-")
    if not all(1 <= len(p) <= 8 and p.isascii() and p.isalnum() for p in parts) or not parts[0].isalpha():
        table.refuse("language", "this is no language tag", 'a tag such as "en" or "de-CH"', language)
    return Text(
        language,
        table.optional("description", Value.text),
        table.optional("vendor_name", Value.text),
        table.optional("model", Value.text),
        table.texts("cautions", ()),
    )
