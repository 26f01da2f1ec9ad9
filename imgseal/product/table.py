"""Strict access to one TOML table: every key known and read as the schema says, every error with line and path."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NoReturn, TypeVar

from imgseal.errors import Place, UsageError, meant
from imgseal.product.schema import KEYS, REQUIRED
from imgseal.product.value import Value, is_name
from imgseal.values import Document as AnyDocument
from imgseal.values import KeyPath, dotted, shown

_Record = TypeVar("_Record")


class Document(AnyDocument):
    """The text behind the tables: knows the lines, so that tables need not.

    `moved` tells of key paths where the text has them, if elsewhere: a variant's keys stand in for the product's.
    `included` are the documents that it includes, which have the keys that it has not; `local` is the one that stands
    in front of it. `given` are the keys that the command line has replaced.
    """

    __slots__ = ("given", "included", "local", "moved", "text")
    name: str

    def __init__(
        self,
        text: str,
        name: str,
        moved: Mapping[KeyPath, KeyPath] | None = None,
        included: "tuple[Document, ...]" = (),
        local: "Document | None" = None,
        given: Iterable[str] = (),
    ) -> None:
        super().__init__(UsageError, "imgseal init writes a file with comments to compare with", name)
        self.text = text
        self.moved = moved or {}
        self.included = included
        self.local = local
        self.given = frozenset(given)

    def __eq__(self, other: object) -> bool:
        """Say whether it is that of the same files: what stands in them is compared as values."""
        return isinstance(other, Document) and (self.name, self.included) == (other.name, other.included)

    def __hash__(self) -> int:
        return hash(self.name)

    def line(self, path: KeyPath) -> int | None:
        """Return the line, from 1, of the statement for a key path in this text alone; None where it has none."""
        from imgseal.product.locate import line_of  # noqa: PLC0415 - only on the way to an error

        return line_of(self.text, path)

    def refuse(
        self, path: KeyPath, message: str, expected: str | None, found: str | None, hint: str | None = None
    ) -> NoReturn:
        """Raise UsageError for a key path, with its place."""
        place = self.place(path)
        raise UsageError(message, place=place, expected=expected, found=found, hint=hint or self.hint)

    def place(self, path: KeyPath) -> Place:
        """Return where a key path is stated: its line, or that of the nearest table that has one."""
        if dotted(path) in self.given:
            return Place(key=f"--set {dotted(path)}")
        for length in range(len(path), 0, -1):
            if path[:length] in self.moved:
                path = (*self.moved[path[:length]], *path[length:])
                break
        local = () if self.local is None else (self.local,)
        stated = (
            (each.name, line)
            for length in range(len(path), 0, -1)
            for each in (*local, self, *self.included)
            if (line := each.line(path[:length])) is not None
        )
        file, line = next(stated, (self.name, None))
        return Place(file=file, line=line, key=dotted(path, 1))

    def refuse_bad_name(self, path: KeyPath) -> None:
        """Refuse a path whose last part is no name."""
        name = str(path[-1])
        if not is_name(name):
            self.refuse(path, "a name that would not make a file name", "letters, digits, - and _", name)


class Table:
    """One table of the file, under `path`; `kind` names its row of keys."""

    __slots__ = ("_kind", "_values", "document", "path")

    def __init__(self, document: Document, values: object, path: KeyPath, kind: str) -> None:
        self.document = document
        self.path = path
        self._kind = kind
        if not isinstance(values, dict):
            document.refuse(path, "this is no table", "a table", shown(values))
        self._values: dict[str, Any] = values
        allowed = KEYS[kind]
        for key in values:
            if key not in allowed:
                document.refuse((*path, key), "unknown key", "one of " + ", ".join(allowed), key, meant(key, allowed))

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def refuse(
        self, key: str, message: str, expected: str | None, found: str | None, hint: str | None = None
    ) -> NoReturn:
        """Raise UsageError about one key of this table; without a hint it says what the key is."""
        row = KEYS[self._kind].get(key)
        meaning = None if row is None else f"{key} is: {row.meaning}"
        self.document.refuse((*self.path, key) if key else self.path, message, expected, found, hint or meaning)

    def raw(self, key: str) -> Any:
        """Return the value of a key as it stands; its default where it is absent."""
        row = KEYS[self._kind][key]
        if key in self._values:
            return self._values[key]
        if row.default is REQUIRED:
            expected = f"{key}: {row.kind.words}"
            self.document.refuse(
                (*self.path, key), "this key is missing", expected, "nothing", f"add {key}: {row.meaning}"
            )
        return row.kind.absent if row.default is None else row.default

    def at(self, key: str) -> Value:
        """Return the value of a key, to be read in a way of its own."""
        return Value(self.document, key, self.raw(key), self.refuse)

    def get(self, key: str) -> Any:
        """Return what is read of the value of a key; its default where it is absent."""
        return KEYS[self._kind][key].kind.read(self.at(key)) if key in self._values else self.raw(key)

    def record(self, make: Callable[..., _Record], **fields: object) -> _Record:
        """Return a record: fields that are not given are those of keys that are called so."""
        missing = [name for name in make._fields if name not in fields]  # type: ignore[attr-defined]
        return make(**fields, **{name: self.get(name) for name in missing})

    def table(self, key: str, kind: str) -> "Table":
        """Return a subtable; an absent one counts as empty."""
        return Table(self.document, self._values.get(key, {}), (*self.path, key), kind)

    def tables(self, key: str, kind: str) -> "dict[str, Table]":
        """Return the named tables below a key, at least one, in the order of the file."""
        values = self.raw(key)
        if not isinstance(values, dict) or not values:
            self.refuse(key, "there is nothing here", f"tables [{dotted((*self.path, key), 1)}.NAME]", shown(values))
        out = {}
        for name, value in values.items():
            self.document.refuse_bad_name((*self.path, key, name))
            out[name] = Table(self.document, value, (*self.path, key, name), kind)
        return out

    def rows(self, key: str, kind: str) -> "list[Table]":
        """Return an array of tables."""
        values = self._values.get(key, [])
        if not isinstance(values, list):
            self.refuse(key, "this is no array of tables", f"[[{dotted((*self.path, key), 1)}]]", shown(values))
        return [Table(self.document, value, (*self.path, key, index), kind) for index, value in enumerate(values)]

    def items(self, key: str) -> dict[str, object]:
        """Return the bare entries of a table whose keys are free."""
        values: dict[str, object] = self._values.get(key, {})
        if not isinstance(values, dict):
            self.refuse(key, "this is no table", "a table", shown(values))
        return values
