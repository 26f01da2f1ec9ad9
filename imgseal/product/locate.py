"""Finds the line of a key in a TOML text; only when an error is to be shown."""

from collections.abc import Iterator

_Path = tuple[str | int, ...]

# TOML 1.0: texts of each kind, comments, brackets, line ends; a text that is cut short takes the rest
_LEXEME = (
    r'"""(?:[^"\\]|\\[\s\S]|"(?!""))*+(?:"{3,5}|\Z)'
    r"|'''(?:[^']|'(?!''))*+(?:'{3,5}|\Z)"
    r'|"(?:[^"\\\n]|\\.)*+"?'
    r"|'[^'\n]*'?"
    r"|\#[^\n]*|[\[\]{}]|\n"
)


_PARTS = 32
"""Parts that a key may have. TOML has no limit, and what tomllib does with a key takes the cube of its parts."""

_PART = r"""[ \t]*+\.[ \t]*+(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')"""
_DEEP = rf"(?P<deep>\.[ \t]*+(?:[A-Za-z0-9_-]++|\"[^\"\n]*+\"|'[^'\n]*+')(?:{_PART}){{{_PARTS - 1}}})"


def deep_key(text: str) -> int | None:
    """Return the line of a key of more parts than imgseal reads; None when there is none. For any text."""
    import re  # noqa: PLC0415 - tomllib loads it as well

    if re.search(_DEEP, text) is None:  # nearly always: else it may still be a text or comment that looks like it
        return None
    found = next((token for token in re.finditer(f"{_LEXEME}|{_DEEP}", text) if token["deep"]), None)
    return None if found is None else text.count("\n", 0, found.start()) + 1


def line_of(text: str, path: _Path) -> int | None:
    """Return the line, from 1, of the statement that gives the key path its value; None when there is none.

    tomllib tells no lines. So the text is cut into statements, each of which it reads once: dotted keys, inline tables
    and arrays over several lines are its business. For a text that tomllib takes as a whole.
    """
    here: _Path = ()
    rows: dict[_Path, int] = {}
    for line, statement in _statements(text):
        tree = _read(statement)
        if statement.startswith("["):
            here = _table(tree, rows, of_array=statement.startswith("[["))
            if here[: len(path)] == path:
                return line
        elif path[: len(here)] == here and _holds(tree, path[len(here) :]):
            return line
    return None


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Yield each table header and each key with its value, and the line that it begins on."""
    import re  # noqa: PLC0415 - tomllib loads it as well

    depth = begin = 0
    line = first = 1
    for token in re.finditer(_LEXEME, text + "\n"):
        found = token[0]
        if found == "\n" and depth == 0:
            statement = text[begin : token.start()].strip(" \t\r")
            if statement and not statement.startswith("#"):
                yield first, statement
            begin = token.end()
            first = line + 1
        elif found in "[{":
            depth += 1
        elif found in "]}":
            depth -= 1
        line += found.count("\n")


def _read(statement: str) -> object:
    import tomllib  # noqa: PLC0415 - only on the way to an error

    try:
        return tomllib.loads(statement)
    except ValueError:
        return {}


def _table(tree: object, rows: dict[_Path, int], *, of_array: bool) -> _Path:
    """Return the path of a table from what its header alone reads as; `rows` counts the tables of each array so far."""
    path: _Path = ()
    while isinstance(tree, dict) and tree:
        key, tree = next(iter(tree.items()))
        path = (*path, key)
        last = not isinstance(tree, dict) or not tree
        if last and of_array:
            rows[path] = rows.get(path, -1) + 1
        if path in rows:
            path = (*path, rows[path])
    return path


def _holds(tree: object, path: _Path) -> bool:
    for key in path:
        if (isinstance(tree, dict) and key in tree) or (
            isinstance(tree, list) and isinstance(key, int) and key < len(tree)
        ):
            tree = tree[key]  # type: ignore[index]
        else:
            return False
    return True
