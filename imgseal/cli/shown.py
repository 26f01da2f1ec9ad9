"""Paths as they are shown: whatever bytes a name has, it is one line of text that acts on no terminal and no parser."""

__all__ = ["shown"]


def shown(path: str) -> str:
    """Return a path with escapes in place of what is no text or does not print."""
    path = path.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    if path.isprintable():
        return path
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in path)
