"""JSON text with one encoding for one meaning, read within bounds."""

import base64
import json
from typing import NoReturn

from imgseal.errors import InputError
from imgseal.values import Document, KeyPath, Kind, Node, cut, shown

_SHOWN = 160
CHANGED = "is it the right file? then it was changed on the way: get it again"
"""What to do about a request or response that does not read."""


def escaped(text: str) -> str:
    """Return a text of a stranger that can do nothing to a terminal, on one line."""
    return "".join(c if c.isascii() and c.isprintable() else f"\\u{ord(c):04x}" for c in text)


class _Strangers(Document):
    """A document of somebody else: what is found in it is escaped."""

    __slots__ = ()

    def refuse(
        self, path: KeyPath, message: str, expected: str | None, found: str | None, hint: str | None = None
    ) -> NoReturn:
        """Raise InputError; what was found is cut, and can do nothing to a terminal."""
        if found is not None:
            found = escaped(cut(found, _SHOWN))
        super().refuse(path, message, expected, found, hint)


_DOCUMENT = _Strangers(InputError, CHANGED)


def refuse(
    message: str, key: str, expected: str | None = None, found: str | None = None, hint: str | None = None
) -> NoReturn:
    """Raise InputError about one key of a request or response."""
    _DOCUMENT.refuse((key,), message, expected, found, hint)


def write_document(document: object) -> bytes:
    """Return the one text of a document: ASCII, keys in the order given, one space of indentation."""
    return (json.dumps(document, indent=1) + "\n").encode()


def read_document(data: bytes, kind: str, most: int) -> Node:
    """Read a document; InputError when it is too large, no JSON object, or not of the `kind` that is asked for."""
    if len(data) > most:
        refuse(f"the {kind} is too large", "", f"at most {most} bytes", str(len(data)))
    try:
        node = _DOCUMENT.node(data, kind)
    except InputError as error:
        refuse(f"this is no {kind}", "", "JSON text in ASCII", error.message)
    said = node.value.get("imgseal", "nothing") if isinstance(node.value, dict) else shown(node.value)
    if said != kind:
        refuse(f"this is no {kind}", "imgseal", f'"{kind}"', str(said))
    return node


def encode64(data: bytes) -> str:
    """Return base64, RFC 4648 section 4."""
    return base64.b64encode(data).decode()


def base64_text(most: int) -> Kind[bytes]:
    """Return the kind of at most so many bytes in base64."""
    return Kind(lambda node: node.base64(most), encode64)
