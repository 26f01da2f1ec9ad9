"""Writes TOML 1.0, for product files that were resolved: what `tomllib` reads of the text is the same tree."""

from collections.abc import Mapping

from imgseal.errors import InternalError

_BARE = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")
_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def write_toml(tree: Mapping[str, object]) -> str:
    """Return the text of a tree of tables, arrays, texts, numbers and truth values; keys keep their order."""
    return "\n".join(_table(tree, ())).lstrip("\n") + "\n"


def _table(table: Mapping[str, object], path: tuple[str, ...]) -> list[str]:
    """Write values first, then tables: a value behind a table's head would belong to that table."""
    lines = [f"{_key(key)} = {_value(value)}" for key, value in table.items() if not _is_table(value)]
    for key, value in table.items():
        inner = (*path, key)
        head = ".".join(_key(part) for part in inner)
        if isinstance(value, Mapping):
            rows = _table(value, inner)
            implied = rows and not rows[0]  # nothing but tables below it: their heads make it
            lines += rows if implied else ["", f"[{head}]", *rows]
        elif isinstance(value, list) and _is_table(value):
            for row in value:
                lines += ["", f"[[{head}]]", *_table(row, inner)]
    return lines


def _is_table(value: object) -> bool:
    """Say whether a value is a table or an array of tables; an array that mixes is written in one line."""
    if isinstance(value, list):
        return bool(value) and all(isinstance(each, Mapping) for each in value)
    return isinstance(value, Mapping)


def _key(key: str) -> str:
    return key if key and _BARE.issuperset(key) else _text(key)


def _text(text: str) -> str:
    return '"' + "".join(_ESCAPES.get(c) or (c if c.isprintable() else f"\\U{ord(c):08X}") for c in text) + '"'


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return repr(value)  # the shortest text that reads back as the same number; inf and nan are TOML's words too
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, list):
        return "[" + ", ".join(_value(each) for each in value) + "]"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(key)} = {_value(each)}" for key, each in value.items()) + "}"
    if type(value).__name__ == "date":  # of the datetime module, which need not be loaded to write none
        return str(value)
    raise InternalError(f"a {type(value).__name__} in a product file")
