"""JSON text with one encoding for one meaning, read within bounds."""

import base64
import binascii
import json
from typing import NoReturn

from imgseal.errors import InputError, Place

_SHOWN = 160
CHANGED = "is it the right file? then it was changed on the way: get it again"
"""What to do about a request or response that does not read."""


def escaped(text: str) -> str:
    """Return a text of a stranger that can do nothing to a terminal, on one line."""
    return "".join(c if c.isascii() and c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def refuse(
    message: str, key: str, expected: str | None = None, found: str | None = None, hint: str | None = None
) -> NoReturn:
    """Raise InputError about one key of a request or response."""
    if found is not None:
        found = escaped(found if len(found) <= _SHOWN else found[: _SHOWN - 3] + "...")
    raise InputError(message, place=Place(key=key), expected=expected, found=found, hint=hint or CHANGED)


def write_document(document: dict[str, object]) -> bytes:
    """Return the one text of a document: ASCII, keys in the order given, one space of indentation."""
    return (json.dumps(document, indent=1) + "\n").encode()


def read_document(data: bytes, kind: str) -> dict[str, object]:
    """Read a document; InputError when it is no JSON object or says that it is something else than `kind`."""
    try:
        document = json.loads(data.decode("ascii"))
    except (ValueError, RecursionError):
        refuse(f"this is no {kind}", "", "JSON text in ASCII", repr(data[:16]))
    if not isinstance(document, dict) or document.get("imgseal") != kind:
        refuse(f"this is no {kind}", "imgseal", f'"{kind}"', _shown(document))
    if document.get("format") != 1 or type(document["format"]) is not int:  # true and 1.0 are 1 in Python
        refuse(f"a {kind} of a format that is not read here", "format", "1", _shown(document.get("format")))
    return document


def _shown(value: object) -> str:
    text = str(value.get("imgseal", "nothing")) if isinstance(value, dict) else str(value)
    return text if len(text) <= 80 else text[:77] + "..."


def encode64(data: bytes) -> str:
    """Return base64, RFC 4648 section 4."""
    return base64.b64encode(data).decode()


def decode64(value: object, key: str, most: int) -> bytes:
    """Read base64 of at most `most` bytes."""
    if not isinstance(value, str) or len(value) > (most + 2) // 3 * 4:
        refuse("this is no base64 text of the right size", key, f"at most {most} bytes", _shown(value))
    try:
        return base64.b64decode(value, validate=True)
    except (binascii.Error, ValueError):
        refuse("this is no base64 text", key, "RFC 4648 section 4", _shown(value))


def hex_bytes(value: object, key: str, size: int) -> bytes:
    """Read exactly `size` bytes in lower-case hex."""
    try:
        if isinstance(value, str) and len(value) == 2 * size and value == value.lower():
            return bytes.fromhex(value)
    except ValueError:
        pass
    refuse("this is no hex text of the right size", key, f"{2 * size} hex digits", _shown(value))
