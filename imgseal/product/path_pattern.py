"""Path patterns of the product file: `*` and `?` within a folder's or file's name, `**` for any number of folders.

A pattern matches a whole path, and letters as they stand: an exception must not excuse more than it says.
"""

from fnmatch import fnmatchcase

_ANY = "**"


def wrong_with(pattern: str) -> str | None:
    """Say in words why a text is no pattern; None when it is one."""
    parts = pattern.split("/")
    if len(pattern) > 1024 or not pattern.isprintable():
        return "longer than 1024 characters, or not printable"
    if "" in parts:
        return "it begins or ends with /, or has two in a row"
    if "\\" in pattern:
        return "folders are separated by /"
    if "." in parts or ".." in parts:
        return ". and .. match nothing"
    if any(_ANY in part and part != _ANY for part in parts):
        return "** stands alone between two /"
    return None


def matches(pattern: str, path: str) -> bool:
    """Say whether a pattern matches a path; both with / between their parts."""
    parts = path.split("/")
    ways = {0}  # how many parts of the path the pattern's parts so far can have taken
    for want in pattern.split("/"):
        if want == _ANY:
            ways = set(range(min(ways, default=len(parts) + 1), len(parts) + 1))
        else:
            ways = {at + 1 for at in ways if at < len(parts) and _is_like(want, parts[at])}
    return len(parts) in ways


def _is_like(pattern: str, name: str) -> bool:
    """Match one name; brackets stand for themselves."""
    return fnmatchcase(name, pattern.replace("[", "[[]"))
