"""Finds the line of a key in a TOML text; only when an error is to be shown."""

__all__ = ["line_of"]


def line_of(text: str, path: tuple[str | int, ...]) -> int | None:
    """Return the line, from 1, of the statement that gives the key path its value; None when there is none.

    tomllib tells no lines. A prefix of the text that parses and holds the key, while the prefix before does not, ends
    with the statement that is looked for: this holds for dotted keys, inline tables and arrays over several lines.
    """
    import tomllib  # noqa: PLC0415 - on use, as everywhere

    lines = text.splitlines(keepends=True)
    good = 0
    for count in range(1, len(lines) + 1):
        if lines[count - 1].strip() == "" or lines[count - 1].lstrip().startswith("#"):
            if good == count - 1:
                good = count
            continue
        try:
            tree = tomllib.loads("".join(lines[:count]))
        except tomllib.TOMLDecodeError:
            continue
        if _holds(tree, path):
            return good + 1
        good = count
    return None


def _holds(tree: object, path: tuple[str | int, ...]) -> bool:
    for key in path:
        if (isinstance(tree, dict) and key in tree) or (
            isinstance(tree, list) and isinstance(key, int) and key < len(tree)
        ):
            tree = tree[key]  # type: ignore[index]
        else:
            return False
    return True
