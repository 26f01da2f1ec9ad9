"""What a browser would obey, drop or pile up in a text, shown by its number instead."""

import re
import unicodedata

_UNSEEN = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
"""Letters and marks that Python calls printable and that show nothing: fillers, joiners, variation selectors."""

_MARKS = 3
"""Combining marks that one character may carry; scripts that stack them need no more."""


def printable(text: str) -> str:
    """Show by number: control characters, changes of direction, blank letters, and combining marks beyond a few."""
    if text.isascii() and text.isprintable():
        return text
    out, marks = [], 0
    for character in text:
        marks = marks + 1 if unicodedata.category(character) in ("Mn", "Me") else 0
        seen = character.isprintable() and not _UNSEEN.match(character)
        out.append(character if seen and marks <= _MARKS else _by_number(character))
    return "".join(out)


def _by_number(character: str) -> str:
    number = ord(character)
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{{{number:x}}}"
