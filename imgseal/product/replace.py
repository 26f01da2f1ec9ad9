"""Replaces what the product file says: by --set pairs, and by the tables of a variant."""

from collections.abc import Mapping

from imgseal.errors import Place, UsageError
from imgseal.product.parse_toml import Tree
from imgseal.product.table import Document, Table
from imgseal.values import KeyPath
from imgseal.versions import Version, decimal

_U32 = 0xFFFF_FFFF
_WORDS = {"sequence": "next", "counter": "same"}
"""What may stand in the place of a number: the release log has it."""


def override(tree: Tree, overrides: Mapping[str, str], name: str) -> None:
    """Put the --set pairs into their places; UsageError for one that has none, or is no value for it."""
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
        elif value == _WORDS[parts[-1]]:
            table[parts[-1]] = value
        elif decimal(value, _U32) is not None:
            table[parts[-1]] = decimal(value, _U32)
        else:
            raise UsageError(
                "--set gives a number that is none",
                place=Place(key=key),
                expected=f'0 to {_U32}, or "{_WORDS[parts[-1]]}"',
                found=value,
                hint="give a whole number in decimal, or the word that leaves it to the release log",
            )


def overlay(document: Document, tree: Tree, name: str, overrides: Mapping[str, str]) -> tuple[Document, Tree]:
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
    for kind in ("memory", "slot", "component"):
        _overlay_tables(document, merged, table, kind, moved)
    override(merged, overrides, document.name)
    return Document(document.text, document.name, moved, document.included, document.local, document.given), merged


def _overlay_tables(document: Document, merged: Tree, variant: Table, kind: str, moved: dict[KeyPath, KeyPath]) -> None:
    """Put what a variant says of memories, slots or components over the product's; only components are all known."""
    tables = merged.get(kind)
    if isinstance(tables, dict):
        merged[kind] = tables = dict(tables)
    for name, values in variant.items(kind).items():
        path = (*variant.path, kind, name)
        document.refuse_bad_name(path)
        if not isinstance(tables, dict) or (kind == "component" and name not in tables):
            known = ", ".join(tables) if isinstance(tables, dict) else None
            document.refuse(path, f"the product has no such {kind}", known, name)
        Table(document, values, path, f"{kind}.NAME")
        assert isinstance(values, dict)
        if name not in tables:
            tables[name] = values
            moved[kind, name] = path
        elif isinstance(tables[name], dict):  # else it is refused like one without a variant
            tables[name] = {**tables[name], **values}
            moved |= {(kind, name, key): (*path, key) for key in values}
