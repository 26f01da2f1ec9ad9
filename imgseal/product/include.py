"""Puts what a product file includes into its tree: what products have in common, and nothing that names one of them."""

import posixpath
from collections.abc import Callable

from imgseal.product.parse_toml import Tree, parse
from imgseal.product.references import is_token_uri
from imgseal.product.schema import KEYS
from imgseal.product.table import Document, Table
from imgseal.values import KeyPath, shown

ReadFile = Callable[[str, str], str]
"""Returns the text of an included file, by its path and that of the file which includes it."""

SHARED = ("format", "include", "signing", "memory", "trust", "channel", "rules", "log")
"""Top-level keys that an included file may hold; who a product is stands in its own file."""

DEPTH = 4
"""Files that may be read beside a product file; a chain of more is a mistake, or somebody's trap."""

_OF_KEYS = ("trust", "channel")  # whose arrays name files

_FILES = frozenset(
    (*table.split("."), name)
    for table, keys in KEYS.items()
    if table.partition(".")[0] in SHARED
    for name, key in keys.items()
    if key.kind.words.startswith("file") or (table.partition(".")[0] in _OF_KEYS and key.kind.words == "array")
)
"""Keys of files: in an included file they are relative to it."""


def add_included(document: Document, tree: Tree, read_file: ReadFile | None) -> None:
    """Put what the product file includes into its tree.

    A key stands in one of the files: what both state is refused, so that nobody has to know which one would win. The
    document learns the texts, for the lines of mistakes. UsageError says what is wrong where.
    """
    here, part, folder = document, tree, ""
    while "include" in part:
        reference = part.pop("include")
        if not isinstance(reference, str) or not posixpath.basename(reference):
            here.refuse(("include",), "this is no file name", 'a path such as "../common.toml"', shown(reference))
        folder = posixpath.join(folder, posixpath.dirname(reference))
        path = posixpath.join(posixpath.dirname(document.name), folder, posixpath.basename(reference))
        chain = [document.name, *(each.name for each in document.included)]
        if posixpath.normpath(path) in map(posixpath.normpath, chain):
            here.refuse(
                ("include",),
                "files that include each other in a circle",
                "a file that includes none of those that lead to it",
                " -> ".join([*chain, path]),
                "take one of these lines out",
            )
        if len(chain) > DEPTH:
            here.refuse(
                ("include",),
                "more files are included than imgseal reads",
                f"at most {DEPTH}",
                " -> ".join([*chain, path]),
                "put into one file what these have in common",
            )
        if read_file is None:
            here.refuse(
                ("include",), "this text stands alone: nothing can be included", "no include", reference,
                "read it from its file",
            )  # fmt: skip
        inner = Document(read_file(path, here.name), path)
        part = parse(inner.text, path)
        _refuse_own(inner, part, document.name)
        _move_files(part, (), folder)
        more = {key: value for key, value in part.items() if key not in ("format", "include")}
        _merge(tree, more, (), document, inner)
        document.included = (*document.included, inner)
        here = inner


def _refuse_own(inner: Document, part: Tree, product_file: str) -> None:
    """UsageError for what does not belong into a file that several products include."""
    Table(inner, part, (), "").get("format")
    for key in part:
        if key not in SHARED:
            inner.refuse(
                (key,),
                "an included file says what products have in common, and nothing that belongs to one",
                ", ".join(SHARED),
                key,
                f"say it in the product file, {product_file}",
            )


def _move_files(part: Tree, path: tuple[str, ...], folder: str) -> None:
    """Make the files that an included file names relative to the product file's folder."""
    for key, value in part.items():
        inside = (*path, key)
        if isinstance(value, dict):
            _move_files(value, inside, folder)
        elif inside in _FILES or (len(inside) == 3 and (inside[0], "NAME", key) in _FILES):
            part[key] = [_moved(each, folder) for each in value] if isinstance(value, list) else _moved(value, folder)


def _moved(value: object, folder: str) -> object:
    """Return a reference as the product file would write it; what is none is refused where the key is read."""
    if isinstance(value, dict) and "key" in value:
        return {**value, "key": _moved(value["key"], folder)}
    if not isinstance(value, str) or not value or is_token_uri(value):
        return value
    return posixpath.join(folder, value)


def _merge(into: Tree, part: Tree, path: KeyPath, document: Document, inner: Document) -> None:
    for key, value in part.items():
        here = (*path, key)
        known = into.get(key)
        if isinstance(known, dict) and isinstance(value, dict):
            _merge(known, value, here, document, inner)
        elif key in into:
            document.refuse(
                here,
                "this key stands in an included file as well: which one counts?",
                "one statement of it",
                f"another one in {inner.name}, line {inner.line(here)}",
                "take it out of one of the files",
            )
        else:
            into[key] = value
