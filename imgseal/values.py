"""Strict reading of JSON and TOML values: each of its type and within its bounds, every key known and none missing.

A `Kind` goes both ways: a format in JSON is declared once, and read and written by the declaration.
"""

from collections.abc import Callable, Collection, Mapping
from typing import Any, Generic, NoReturn, TypeVar

from imgseal.errors import ImgsealError, Place, visible
from imgseal.versions import Version, decimal

KeyPath = tuple[str | int, ...]
T = TypeVar("T")
_HEX = frozenset("0123456789abcdef")
_REQUIRED = object()


class Document:
    """What values are a part of: the error that is raised about one, and what to do about it.

    `ordered` documents have their keys in one order.
    """

    __slots__ = ("error", "hint", "name", "ordered")

    def __init__(
        self, error: type[ImgsealError], hint: str | None, name: str | None = None, *, ordered: bool = False
    ) -> None:
        self.error = error
        self.hint = hint
        self.name = name
        self.ordered = ordered

    def refuse(
        self, path: KeyPath, message: str, expected: str | None, found: str | None, hint: str | None = None
    ) -> NoReturn:
        """Raise the error about the value at a path."""
        place = Place(file=self.name, key=dotted(path) or None)
        raise self.error(message, place=place, expected=expected, found=found, hint=hint or self.hint)

    def parse(self, data: bytes | str, what: str, encoding: str = "ascii", *, unique: bool = True) -> object:
        """Return parsed JSON; the error for what is none. A key stands once in an object where it has to be `unique`.

        JSON readers differ in which of two equal keys counts (RFC 8259 section 4).
        """
        import json  # noqa: PLC0415 - 5 ms, only where there is JSON

        line, offset, found = None, None, None
        try:
            text = data if isinstance(data, str) else data.decode(encoding)
            return json.loads(text, object_pairs_hook=self._members if unique else None)
        except UnicodeDecodeError as error:
            why = f"not JSON: this is not {encoding.upper().removesuffix('-SIG')} text"
            offset, found = error.start, f"byte 0x{error.object[error.start]:02x}"
        except json.JSONDecodeError as error:
            why, line = f"not JSON: {error.msg[:1].lower()}{error.msg[1:]}", error.lineno
            offset, found = len(text[: error.pos].encode()), f"column {error.colno}"
        except RecursionError:
            why = "not JSON that can be read: it is nested too deeply"
        except ValueError:  # Python refuses it with an error of its own
            why = "not JSON that can be read: a number has thousands of digits"
        raise self.error(
            f"this {what} is {why}", place=Place(file=self.name, line=line, offset=offset), found=found, hint=self.hint
        )

    def node(self, data: bytes | str, what: str, key: str = "", *, unique: bool = True) -> "Node":
        """Return parsed JSON as a node, which paths begin with where it has a `key`."""
        return Node(self, self.parse(data, what, unique=unique), key)

    def _members(self, pairs: list[tuple[str, object]]) -> dict[str, object]:
        members = dict(pairs)
        if len(members) != len(pairs):
            keys = [key for key, _ in pairs]
            twice = next(key for key in keys if keys.count(key) > 1)
            self.refuse((shown_key(twice),), "this key stands twice", "each key once", None)
        return members


class Node:
    """A value and its place: `key` below the node `above`. What is asked of it that it is not, is refused.

    Paths are put together when they are needed: a release log has fifty nodes a line.
    """

    __slots__ = ("above", "document", "key", "value")

    def __init__(self, document: Document, value: Any, key: str | int = "", above: "Node | None" = None) -> None:
        self.document = document
        self.value = value
        self.key = key
        self.above = above

    @property
    def path(self) -> KeyPath:
        """The path to the value."""
        above = () if self.above is None else self.above.path
        return above if self.key == "" else (*above, self.key)

    def below(self, key: str | int) -> "Node":
        """Return the member of an object, or the item of an array, that is known to be there."""
        return Node(self.document, self.value[key], key, self)

    def refuse(
        self,
        expected: str | None,
        message: str = "not a value allowed here",
        found: str | None = None,
        hint: str | None = None,
    ) -> NoReturn:
        """Raise the error about this value."""
        self.document.refuse(self.path, message, expected, shown(self.value) if found is None else found, hint)

    def members(self, keys: Collection[str], optional: Collection[str] = ()) -> "dict[str, Node]":
        """Return the members of an object that has these keys and no others; `optional` ones may be absent."""
        value = self.value
        if not isinstance(value, dict):
            self.refuse("an object with " + ", ".join(keys))
        if list(value) != list(keys):
            wrong = [("unknown key", key) for key in value if key not in keys]
            wrong += [("this key is missing", key) for key in keys if key not in value and key not in optional]
            if self.document.ordered and list(value) != [key for key in keys if key in value]:
                wrong.append(("the keys are in another order", next(iter(value), "")))
            for message, key in wrong[:1]:
                path = (*self.path, shown_key(key))
                self.document.refuse(path, message, ", ".join(keys), shown_key(", ".join(value), 200) or "nothing")
        return {key: Node(self.document, each, key, self) for key, each in value.items()}

    def entries(self, expected: str) -> "dict[str, Node]":
        """Return the members of an object whose keys are free."""
        if not isinstance(self.value, dict):
            self.refuse(expected)
        return {key: self.below(key) for key in self.value}

    def items(self, least: int, most: int, what: str = "items") -> "list[Node]":
        """Return the items of an array."""
        value = self.value
        if not isinstance(value, list) or not least <= len(value) <= most:
            self.refuse(f"an array of {least} to {most} {what}")
        return [Node(self.document, item, index, self) for index, item in enumerate(value)]

    def integer(self, least: int, most: int) -> int:
        """Return an integer in a range; true is none."""
        value = self.value
        if type(value) is not int or not least <= value <= most:
            hint = "a number has no quotes" if isinstance(value, str) else None
            self.refuse(str(least) if least == most else f"an integer from {least} to {most}", hint=hint)
        return value

    def boolean(self) -> bool:
        """Return true or false."""
        value: bool = self.value
        if not isinstance(value, bool):
            self.refuse("true or false")
        return value

    def text(self, most: int = 4096) -> str:
        """Return a text that is not empty, nor blanks alone."""
        value: str = self.value
        if not isinstance(value, str) or not value.strip() or len(value) > most:
            self.refuse(f"a text of 1 to {most} characters in quotes", "this is no text")
        return value

    def ascii(self, most: int, least: int = 1) -> str:
        """Return a text of printable ASCII without the two characters that JSON would escape."""
        value: str = self.value
        fits = isinstance(value, str) and least <= len(value) <= most and value.isascii() and value.isprintable()
        if not fits or '"' in value or "\\" in value:
            self.refuse(f"{least} to {most} printable ASCII characters without quotation mark and backslash")
        return value

    def choice(self, options: Collection[str]) -> str:
        """Return one of a few words."""
        value = self.value
        if value not in options:
            near = [word for word in options if isinstance(value, str) and word.lower() == value.strip().lower()]
            hint = f'write it so: {self.key} = "{near[0]}"' if near else None
            self.refuse(" or ".join(f'"{word}"' for word in options), hint=hint)
        return str(value)

    def hexadecimal(self, least: int, most: int) -> bytes:
        """Return bytes from lower-case hex digits."""
        value = self.value
        fits = isinstance(value, str) and 2 * least <= len(value) <= 2 * most and not len(value) % 2
        if not fits or not _HEX.issuperset(value):
            size = f"{2 * least}" if least == most else f"{2 * least} to {2 * most}"
            self.refuse(f"{size} lower-case hex digits")
        return bytes.fromhex(value)

    def base64(self, most: int) -> bytes:
        """Return at most so many bytes from base64, RFC 4648 section 4."""
        import base64  # noqa: PLC0415 - on use

        value = self.value
        if isinstance(value, str) and len(value) <= (most + 2) // 3 * 4:
            try:
                return base64.b64decode(value, validate=True)
            except ValueError:
                pass
        self.refuse(f"base64 text of at most {most} bytes (RFC 4648 section 4)")

    def parsed(self, parse: Callable[[str], T], expected: str, message: str = "this cannot be read") -> T:
        """Return what `parse` makes of a text; its ValueError becomes the error about this value."""
        try:
            if isinstance(self.value, str):
                return parse(self.value)
        except ValueError:
            pass
        self.refuse(expected, message)

    def version(self) -> Version:
        """Return a version."""
        return self.parsed(Version.parse, 'a version such as "2.4.1" or "2.4.1-rc.1"')


class Kind(Generic[T]):
    """How a value is read, and written as JSON.

    A member with a `default` may be absent; a `spare` one is not written when it has it.
    """

    __slots__ = ("default", "read", "spare", "write")

    def __init__(
        self,
        read: Callable[[Node], T],
        write: Callable[[T], object] = lambda value: value,
        default: object = _REQUIRED,
        *,
        spare: bool = False,
    ) -> None:
        self.read = read
        self.write = write
        self.default = default
        self.spare = spare


def integer(least: int, most: int) -> Kind[int]:
    """Return the kind of integers in a range."""
    return Kind(lambda node: node.integer(least, most))


def ascii_text(most: int, least: int = 1) -> Kind[str]:
    """Return the kind of texts that JSON has one form of."""
    return Kind(lambda node: node.ascii(most, least))


def hexadecimal(least: int, most: int | None = None) -> Kind[bytes]:
    """Return the kind of so many bytes in hex."""
    return Kind(lambda node: node.hexadecimal(least, most or least), bytes.hex)


BOOLEAN = Kind(Node.boolean)
VERSION = Kind(Node.version, str)


def optional(kind: Kind[T], default: object = None, *, spare: bool = False) -> Kind[Any]:
    """Return the kind of a member that may be absent: it is `default` then; None is null as well."""

    def read(node: Node) -> object:
        return None if default is None and node.value is None else kind.read(node)

    return Kind(read, lambda value: None if value is None else kind.write(value), default, spare=spare)


def array(
    kind: Kind[T],
    least: int,
    most: int,
    what: str = "items",
    rule: Callable[[tuple[T, ...]], bool] | None = None,
) -> Kind[tuple[T, ...]]:
    """Return the kind of arrays; `what` says in words what they hold, and the rule that their items keep together."""

    def read(node: Node) -> tuple[T, ...]:
        items = tuple([kind.read(each) for each in node.items(least, most, what)])
        if rule is not None and not rule(items):
            node.refuse(f"an array of {what}")
        return items

    return Kind(read, lambda items: [kind.write(each) for each in items])


def pair(first: Kind[Any], second: Kind[Any]) -> Kind[tuple[Any, Any]]:
    """Return the kind of arrays of two."""

    def read(node: Node) -> tuple[Any, Any]:
        one, two = node.items(2, 2)
        return first.read(one), second.read(two)

    return Kind(read, lambda both: [first.write(both[0]), second.write(both[1])])


def by_component(kind: Kind[T], expected: str) -> Kind[Mapping[int, T]]:
    """Return the kind of objects whose keys are component numbers, 1 to 255."""

    def read(node: Node) -> dict[int, T]:
        out = {}
        for key, each in node.entries(expected).items():
            number = decimal(key, 255)
            if not number:
                path = (*node.path, shown_key(key))
                node.document.refuse(path, "this is no component number", "1 to 255", shown_key(key))
            out[number] = kind.read(each)
        return out

    return Kind(read, lambda values: {str(number): kind.write(values[number]) for number in sorted(values)})


def record(
    make: Callable[..., T],
    kinds: Mapping[str, Kind[Any]],
    fields: Mapping[str, str] | None = None,
    fixed: Mapping[str, object] | None = None,
) -> Kind[T]:
    """Return the kind of objects with these members, which are the fields of a value.

    `fields` names the field of a key where they differ; `fixed` members come first and are the same in each object.
    """
    fixed = fixed or {}
    rows = [(key, (fields or {}).get(key, key), kind) for key, kind in kinds.items()]
    keys = (*fixed, *kinds)
    absent = [key for key, kind in kinds.items() if kind.default is not _REQUIRED]

    def read(node: Node) -> T:
        at = node.members(keys, absent)
        for key, wanted in fixed.items():
            if at[key].value != wanted or type(at[key].value) is not type(wanted):  # true and 1.0 are 1 in Python
                at[key].refuse(shown(wanted))
        return make(**{field: kind.read(at[key]) if key in at else kind.default for key, field, kind in rows})

    def write(value: T) -> dict[str, object]:
        out = dict(fixed)
        for key, field, kind in rows:
            part = getattr(value, field)
            if not kind.spare or part != kind.default:
                out[key] = kind.write(part)
        return out

    return Kind(read, write)


def dotted(path: KeyPath, first: int = 0) -> str:
    """Return a path as messages have it, such as `entry.packages[0].class`; items are counted from `first`."""
    text = ""
    for part in path:
        text += f"[{part + first}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def shown(value: object, most: int = 80) -> str:
    """Return a value as messages show it: short, on one line, and never with a PIN that stands in a PKCS#11 URI."""
    if value is None:
        return "nothing"
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    if "pin-value" in text.lower():
        return "a PKCS#11 URI with a PIN in it, not shown"
    return visible(cut(text, most))


def shown_key(key: str, most: int = 64) -> str:
    """Return a key as messages show it; whoever wrote the document has chosen it."""
    return visible(cut(key, most))


def cut(text: str, most: int) -> str:
    """Return a text of at most so many characters."""
    return text if len(text) <= most else text[: most - 3] + "..."
