"""Reads `imgseal.toml`: strict, complete, and with the line of every mistake."""

from collections.abc import Mapping

from imgseal.errors import Place, UsageError
from imgseal.product import model, signature_room, slot_plan
from imgseal.product.parse_toml import parse
from imgseal.product.read_parts import read_component, read_memory, read_slot
from imgseal.product.read_trust import read_references, read_rules, read_trust
from imgseal.product.table import Document, Table
from imgseal.values import shown
from imgseal.versions import Version, decimal

_U32 = 0xFFFF_FFFF
_Tree = dict[str, object]


def read(
    text: str,
    *,
    name: str,
    overrides: Mapping[str, str] | None = None,
    local_text: str | None = None,
    variant: str | None = None,
) -> model.Product:
    """Read a product file; `name` is shown in errors.

    `overrides` are the --set pairs, `local_text` is imgseal.local.toml (signing references only), `variant` picks
    [variant.NAME]. Every variant is read, so that its mistakes show at once. Raises UsageError.
    """
    document = Document(text, name)
    tree = parse(text, name)
    notes = _old_words(document, tree)
    if local_text is not None:
        _merge_local(tree, local_text, name)
    overrides = overrides or {}
    _override(tree, overrides, name)
    variants = tree.get("variant", {})
    if not isinstance(variants, dict):
        document.refuse(("variant",), "this is no table", "tables [variant.NAME]", shown(variants))
    names = {}
    for key in variants:
        document.refuse_bad_name(("variant", key))
        names[key] = _product(*_overlay(document, tree, key, overrides), key).class_name
    if variant is not None and variant not in variants:
        raise UsageError(
            "the product file has no such variant",
            place=Place(file=name),
            expected=", ".join(variants) or "no variant at all",
            found=variant,
            hint="name a variant of the product file, or leave --variant out",
        )
    chosen = (document, tree) if variant is None else _overlay(document, tree, variant, overrides)
    return _product(*chosen, variant)._replace(variants=names, notes=notes)


def resolved(
    text: str, *, name: str, overrides: Mapping[str, str] | None = None, variant: str | None = None
) -> dict[str, object]:
    """Return the tree of a product file with the --set pairs and one variant in their places, and no variants.

    For a text that `read` takes with the same arguments.
    """
    document = Document(text, name)
    tree = parse(text, name)
    _old_words(document, tree)
    _override(tree, overrides or {}, name)
    if variant is not None:
        _, tree = _overlay(document, tree, variant, overrides or {})
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
        _signing_keys(document, which, values)
        if isinstance(target, dict):
            place = target.setdefault(which, {})
            if isinstance(place, dict):
                place.update(values)


def _override(tree: _Tree, overrides: Mapping[str, str], name: str) -> None:
    for key, value in overrides.items():
        parts = key.split(".")
        table: object = None
        if key in ("release.version", "release.sequence"):
            table = tree.get("release")
        elif len(parts) == 3 and parts[0] == "component" and parts[2] in ("version", "counter"):
            components = tree.get("component")
            table = components.get(parts[1]) if isinstance(components, dict) else None
            if table is None:
                raise UsageError(
                    "--set names a component that the product file does not have",
                    place=Place(file=name, key=key),
                    expected=", ".join(components) if isinstance(components, dict) else None,
                    found=parts[1],
                    hint="use the component's name in the product file",
                )
        if not isinstance(table, dict):
            raise UsageError(
                "--set cannot replace this key"
                if not key.startswith("release.") or "release" in tree
                else "--set replaces a key of [release], and the product file has no such table",
                place=Place(key=key),
                expected="release.version, release.sequence, component.NAME.version or component.NAME.counter",
                found=key,
                hint="say it in the product file",
            )
        if parts[-1] == "version":
            try:
                Version.parse(value)
            except ValueError:
                raise UsageError(
                    "--set gives a version that is none",
                    place=Place(key=key),
                    expected="a version such as 2.4.1 or 2.4.1-rc.1",
                    found=value,
                    hint="give three numbers, and behind them -alpha, -beta or -rc where it is one",
                ) from None
            table[parts[-1]] = value
        elif decimal(value, _U32) is not None:
            table[parts[-1]] = decimal(value, _U32)
        else:
            raise UsageError(
                "--set gives a number that is none",
                place=Place(key=key),
                expected=f"0 to {_U32}",
                found=value,
                hint="give a whole number in decimal",
            )


def _overlay(document: Document, tree: _Tree, name: str, overrides: Mapping[str, str]) -> tuple[Document, _Tree]:
    """Put a variant into its places, under --set; the document with it says where the text has what was put there."""
    variants = tree["variant"]
    assert isinstance(variants, dict)
    table = Table(document, variants[name], ("variant", name), "variant.NAME")
    merged = dict(tree)  # what is replaced is copied: the whole tree for each variant would be the square of them
    moved = dict(document.moved)
    product = merged.get("product")
    if isinstance(product, dict):
        merged["product"] = product = dict(product)
        for key in ("class", "hardware"):
            if key in table:
                product[key] = table.raw(key)
                moved["product", key] = ("variant", name, key)
    components = merged.get("component")
    if isinstance(components, dict):
        merged["component"] = components = dict(components)
    for component, values in table.items("component").items():
        path = ("variant", name, "component", component)
        if not isinstance(components, dict) or component not in components:
            known = ", ".join(components) if isinstance(components, dict) else None
            document.refuse(path, "the product has no such component", known, component)
        Table(document, values, path, "component.NAME")
        assert isinstance(values, dict)
        if isinstance(components[component], dict):  # else it is refused like one without a variant
            components[component] = {**components[component], **values}
        moved |= {("component", component, key): (*path, key) for key in values}
    _override(merged, overrides, document.name)
    return Document(document.text, document.name, moved), merged


def _product(document: Document, tree: _Tree, variant: str | None) -> model.Product:
    root = Table(document, tree, (), "")
    root.get("format")
    product = root.table("product", "product")
    vendor = product.get("vendor")
    vendor_id = model.vendor_identifier(vendor)
    class_name = product.get("class")
    release = root.table("release", "release").record(model.Release)
    memories = {n: read_memory(t) for n, t in root.tables("memory", "memory.NAME").items()}
    slots = {n: read_slot(t, memories) for n, t in root.tables("slot", "slot.NAME").items()}
    tables = root.tables("component", "component.NAME")
    numbers = {n: t.get("number") for n, t in tables.items()}
    components = {n: read_component(t, n, numbers, slots, release.version) for n, t in tables.items()}
    made = model.Product(
        source=document.name,
        name=product.get("name"),
        vendor=vendor,
        class_name=class_name,
        vendor_id=vendor_id,
        class_id=model.class_identifier(vendor_id, class_name),
        hardware=product.at("hardware").hardware(),
        release=release,
        signing={which: _signing_keys(document, which, keys) for which, keys in root.items("signing").items()},
        memories=memories,
        slots=slots,
        components=components,
        bootloader=root.table("bootloader", "bootloader").record(model.Bootloader) if "bootloader" in root else None,
        trust=read_trust(root.table("trust", "trust"), components),
        rules=read_rules(root.table("rules", "rules")),
        limits=root.table("limits", "limits").record(model.Limits),
        factory=_factory(root.table("factory", "factory"), components),
        text=root.table("text", "text").record(model.Text),
        variants={},
        variant=variant,
        log=root.table("log", "log").get("path") if "log" in root else None,
        gate=_gate(root.table("gate", "gate")),
    )
    slot_plan.check(made, document)
    signature_room.check(made, document)
    return made


def _signing_keys(document: Document, which: str, values: object) -> model.SigningKeys:
    """Read [signing.development] or [signing.release]."""
    if which not in ("development", "release"):
        document.refuse(("signing", which), "unknown key", "development or release", which)
    table = Table(document, values, ("signing", which), f"signing.{which}")
    return model.SigningKeys(read_references(table, "images"), read_references(table, "packages"))


def _factory(table: Table, components: Mapping[str, model.Component]) -> model.Factory:
    counters = {}
    for name, value in table.items("counters").items():
        if name not in components:
            table.document.refuse((*table.path, "counters", name), "no such component", ", ".join(components), name)
        most = components[name].counter
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
            expected = f"0 to {most} (component.{name}.counter)"
            table.document.refuse((*table.path, "counters", name), "no first counter", expected, str(value))
        counters[name] = value
    ranges = tuple(row.record(model.FactoryRange) for row in table.rows("range", "factory.range"))
    return model.Factory(table.get("bootloader"), ranges, counters)


def _gate(table: Table) -> model.Gate:
    exceptions = table.rows("exception", "gate.exception")
    return model.Gate(table.get("raw"), tuple(row.record(model.GateException) for row in exceptions))
