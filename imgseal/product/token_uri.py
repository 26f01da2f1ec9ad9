"""PKCS#11 URIs (RFC 7512): which key in which token, as text. Nothing here opens a token.

Path attributes say which key is meant, query attributes how this machine gets at it: the module and where the PIN comes
from. Unknown path attributes are refused, since a key that is narrowed down by something nobody looks at is not the key
that was meant; unknown query attributes are ignored (RFC 7512 sections 2.3 and 2.4; the refusal from memory).
"""

import re

from imgseal.product.references import SCHEME, is_token_uri
from imgseal.records import NamedTuple

_TYPES = ("public", "private", "cert", "secret-key", "data")
_LIMIT = 4096
# section 2.3: unreserved characters, and what each part allows beside them
_PATH_VALUE = re.compile(r"(?:[A-Za-z0-9\-._~:\[\]@!$'()*+,=&]|%[0-9A-Fa-f]{2})*")
_QUERY_VALUE = re.compile(r"(?:[A-Za-z0-9\-._~:\[\]@!$'()*+,=/?|]|%[0-9A-Fa-f]{2})*")
_NAME = re.compile(r"[A-Za-z0-9\-_]+")
_KEPT = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~:[]@!$'()*+,=&")


class BadTokenUriError(ValueError):
    """The text is no PKCS#11 URI that can be used; the message never quotes a value that may be secret."""

    def __init__(self, message: str, expected: str | None = None, hint: str | None = None) -> None:
        super().__init__(message)
        self.expected = expected
        self.hint = hint


class TokenUri(NamedTuple):
    """A parsed URI; None for an attribute that it does not have. `ignored` holds unknown query attributes' names."""

    token: str | None = None
    manufacturer: str | None = None
    serial: str | None = None
    model: str | None = None
    library_manufacturer: str | None = None
    library_description: str | None = None
    object: str | None = None
    slot_description: str | None = None
    slot_manufacturer: str | None = None
    library_version: tuple[int, int] | None = None
    slot_id: int | None = None
    id: bytes | None = None
    type: str | None = None
    module_path: str | None = None
    pin_source: str | None = None
    ignored: tuple[str, ...] = ()

    def key_part(self) -> "TokenUri":
        """Return the URI without its query: which key, not how to reach it."""
        return self._replace(module_path=None, pin_source=None, ignored=())

    def __str__(self) -> str:
        version = None if self.library_version is None else "{}.{}".format(*self.library_version)
        values = {**self._asdict(), "library_version": version}
        pairs = [(name, values[name.replace("-", "_")]) for name in _PATH]
        text = SCHEME + ";".join(f"{name}={_escaped(value)}" for name, value in pairs if value is not None)
        query = (("module-path", self.module_path), ("pin-source", self.pin_source))
        shown = "&".join(f"{name}={_escaped(value, query=True)}" for name, value in query if value is not None)
        return f"{text}?{shown}" if shown else text


_PATH = tuple(name.replace("_", "-") for name in TokenUri._fields[: TokenUri._fields.index("module_path")])
"""Path attributes; the other fields are of the query."""


def parse(text: str) -> TokenUri:
    """Read a PKCS#11 URI; BadTokenUriError says which attribute is wrong, and refuses a PIN inside it."""
    if not is_token_uri(text):
        raise BadTokenUriError("this is no PKCS#11 URI", f"{SCHEME}token=NAME;object=NAME")
    if len(text) > _LIMIT:
        raise BadTokenUriError("this PKCS#11 URI is too long", f"at most {_LIMIT} characters")
    path, mark, query = text[len(SCHEME) :].partition("?")
    values: dict[str, str | bytes | int | tuple[int, ...]] = {}
    query_pairs = _pairs(query, "&", _QUERY_VALUE) if mark else []
    if any(name == "pin-value" for name, _ in query_pairs):
        raise BadTokenUriError(
            "pin-value puts the PIN itself into the URI, for all who read the file or list processes",
            "no pin-value",
            "leave it out: the PIN is asked for, or comes from IMGSEAL_PIN or from pin-source",
        )
    for name, raw in _pairs(path, ";", _PATH_VALUE):
        if name not in _PATH:
            why = "leave it out: it would narrow down which key is meant, and nothing here looks at it"
            raise BadTokenUriError(f"the attribute {name} is not known", ", ".join(_PATH), why)
        if name in values:
            raise BadTokenUriError(f"the attribute {name} stands twice", "each attribute once")
        values[name] = _value(name, raw)
    ignored = []
    for name, raw in query_pairs:
        if name == "module-name":
            raise BadTokenUriError(
                "module-name leaves open which file is loaded",
                "module-path",
                "give module-path, or set IMGSEAL_PKCS11_MODULE",
            )
        if name not in ("module-path", "pin-source"):
            ignored.append(name)
            continue
        if name in values:
            raise BadTokenUriError(f"the attribute {name} stands twice", "each attribute once")
        values[name] = _text(name, raw)
    fields = {name.replace("-", "_"): value for name, value in values.items()}
    return TokenUri(**fields, ignored=tuple(dict.fromkeys(ignored)))  # type: ignore[arg-type]


def _pairs(part: str, separator: str, allowed: re.Pattern[str]) -> list[tuple[str, str]]:
    pairs: list[tuple[str, str]] = []
    for piece in part.split(separator) if part else ():
        name, equals, value = piece.partition("=")
        if not equals or not _NAME.fullmatch(name):
            raise BadTokenUriError(
                f"attribute {len(pairs) + 1} of this part of the URI is not NAME=VALUE",
                f"NAME=VALUE, separated by {separator!r}",
                "write other characters as % and two hex digits",
            )
        if not allowed.fullmatch(value):
            raise BadTokenUriError(
                f"the value of {name} holds a character that has to be written as % and two hex digits",
                hint="a blank is %20, a semicolon %3B, a slash in front of the ? is %2F, a per cent sign %25",
            )
        pairs.append((name, value))
    return pairs


def _value(name: str, raw: str) -> str | bytes | int | tuple[int, ...]:
    if name == "id":
        return _bytes(raw)
    if name == "type" and raw not in _TYPES:
        raise BadTokenUriError("type is not one of those there are", ", ".join(_TYPES))
    if name == "slot-id":
        if not (raw.isascii() and raw.isdigit() and len(raw) <= 20):
            raise BadTokenUriError("slot-id is no decimal number", "for example slot-id=0")
        return int(raw)
    if name == "library-version":
        match = re.fullmatch(r"([0-9]{1,3})(?:\.([0-9]{1,3}))?", raw)
        if match is None:
            raise BadTokenUriError("library-version is no version", "for example library-version=2.6")
        return int(match[1]), int(match[2] or 0)
    return _text(name, raw)


def _text(name: str, raw: str) -> str:
    try:
        text = _bytes(raw).decode("utf-8")
    except UnicodeDecodeError:
        raise BadTokenUriError(f"the value of {name} is not UTF-8") from None
    if any(ord(c) < 0x20 or ord(c) == 0x7F for c in text):
        raise BadTokenUriError(f"the value of {name} holds a control character")
    return text


def _bytes(raw: str) -> bytes:
    head, *rest = raw.split("%")
    return head.encode() + b"".join(bytes.fromhex(part[:2]) + part[2:].encode() for part in rest)


def _escaped(value: object, *, query: bool = False) -> str:
    if isinstance(value, bytes):
        return "".join(f"%{byte:02X}" for byte in value)  # section 2.3 asks for all bytes of an id
    kept = _KEPT - {ord("&")} | {ord("/")} if query else _KEPT
    return "".join(chr(byte) if byte in kept else f"%{byte:02X}" for byte in str(value).encode())
