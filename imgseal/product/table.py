"""Strict access to one TOML table: every key known, every error with line and path; values.py reads the values."""

from collections.abc import Callable, Mapping
from typing import Any, NoReturn, TypeVar

from imgseal.errors import Place, UsageError, meant
from imgseal.product.schema import KEYS, Key, keys_of
from imgseal.values import Document as AnyDocument
from imgseal.values import KeyPath, Node, dotted, shown
from imgseal.versions import decimal

_UNITS = {
    "B": 1,
    "KiB": 1 << 10,
    "MiB": 1 << 20,
    "GiB": 1 << 30,
    "Kbit": 1 << 7,
    "Mbit": 1 << 17,
    "Gbit": 1 << 27,
}
_REQUIRED = object()
_Read = TypeVar("_Read")


class Document(AnyDocument):
    """The text behind the tables: knows the lines, so that tables need not.

    `moved` tells of key paths where the text has them, if elsewhere: a variant's keys stand in for the product's.
    """

    __slots__ = ("moved", "text")
    name: str

    def __init__(self, text: str, name: str, moved: Mapping[KeyPath, KeyPath] | None = None) -> None:
        super().__init__(UsageError, "imgseal init writes a file with comments to compare with", name)
        self.text = text
        self.moved = moved or {}

    def refuse(
        self, path: KeyPath, message: str, expected: str | None, found: str | None, hint: str | None = None
    ) -> NoReturn:
        """Raise UsageError for a key path, with the line of its statement, or of the nearest table that has one."""
        from imgseal.product.locate import line_of  # noqa: PLC0415 - only on the way to an error

        for length in range(len(path), 0, -1):
            if path[:length] in self.moved:
                path = (*self.moved[path[:length]], *path[length:])
                break
        line = None
        for length in range(len(path), 0, -1):
            line = line_of(self.text, path[:length])
            if line is not None:
                break
        raise UsageError(
            message,
            place=Place(file=self.name, line=line, key=dotted(path, 1)),
            expected=expected,
            found=found,
            hint=hint or self.hint,
        )

    def refuse_bad_name(self, path: KeyPath) -> None:
        """Refuse a path whose last part is no name: names become parts of files, options, C and linker scripts."""
        name = str(path[-1])
        if not name.isascii() or not name.replace("-", "").replace("_", "").isalnum():
            self.refuse(path, "a name that would not make a file name", "letters, digits, - and _", name)


class Value(Node):
    """The value of a key; what is wrong with it is said with what the key is."""

    __slots__ = ("table",)

    def __init__(self, table: "Table", key: str, value: object) -> None:
        super().__init__(table.document, value, key)
        self.table = table

    def refuse(
        self,
        expected: str | None,
        message: str = "not a value allowed here",
        found: str | None = None,
        hint: str | None = None,
    ) -> NoReturn:
        """Raise UsageError about the key."""
        self.table.refuse(str(self.key), message, expected, shown(self.value) if found is None else found, hint)

    def size(self) -> int:
        """Return bytes: an integer, or a number and a unit. A Mbit is 2**20 bits, as flash makers count."""
        value, hint = self.value, None
        if type(value) is int and 0 < value <= 1 << 32:
            return value
        if isinstance(value, str):
            number, _, unit = value.strip().partition(" ")
            count = decimal(number, 1 << 32)
            size = (count or 0) * _UNITS.get(unit.strip(), 0)
            if 0 < size <= 1 << 32:
                return size
            hint = "decimal kB and MB are too easily confused with the binary ones"
            if value.strip().endswith(tuple(unit for unit in _UNITS if len(unit) > 1)):
                hint = "a whole number, a blank, and the unit"
        self.refuse('bytes, or text such as "320 KiB", "1 MiB", "512 Mbit"', "this is no size", hint=hint)

    def number(self, most: float = 1_000_000) -> float:
        """Return a number above 0."""
        value: float = self.value
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= most:
            self.refuse(f"a number above 0, at most {most:.0f}")
        return float(value)

    def pair(self) -> tuple[float, float]:
        """Return a typical and a longest time, both above 0."""
        times = self.value if isinstance(self.value, list) else []
        if (
            len(times) != 2
            or any(type(t) not in (int, float) or not 0 < t <= 1e9 for t in times)
            or times[0] > times[1]
        ):
            self.refuse("a typical and a longest time: two numbers such as [45, 400]")
        return float(times[0]), float(times[1])

    def day(self) -> str:
        """Return a TOML date as YYYY-MM-DD; the reader of TOML has seen that there is such a day."""
        day = iso_day(self.value)
        if day is None:
            self.refuse(f"a date without quotes, such as {self.key} = 2027-01-31")
        return day

    def texts(self, least: int, most: int) -> tuple[str, ...]:
        """Return an array of texts without repetitions."""
        value = self.value
        fits = isinstance(value, (list, tuple)) and all(isinstance(v, str) and v for v in value)
        if not fits or len(set(value)) != len(value) or not least <= len(value) <= most:
            self.refuse(f"{least} to {most} different texts in brackets", "this is no list of names")
        return tuple(value)


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
        allowed = keys_of(kind)
        for key in values:
            if key not in allowed:
                document.refuse((*path, key), "unknown key", "one of " + ", ".join(allowed), key, meant(key, allowed))

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def refuse(
        self, key: str, message: str, expected: str | None, found: str | None, hint: str | None = None
    ) -> NoReturn:
        """Raise UsageError about one key of this table; without a hint it says what the key is."""
        row = self._row(key)
        meaning = None if row is None else f"{key} is: {row.meaning}"
        self.document.refuse((*self.path, key) if key else self.path, message, expected, found, hint or meaning)

    def _row(self, key: str) -> Key | None:
        return next((row for row in KEYS.get(self._kind, ()) if row.name == key), None)

    def _get(self, key: str, default: object) -> object:
        if key in self._values:
            return self._values[key]
        if default is _REQUIRED:
            row = self._row(key)
            expected, hint = (None, "it") if row is None else (f"{key}: {row.type}", row.meaning)
            self.document.refuse((*self.path, key), "this key is missing", expected, "nothing", f"add {hint}")
        return default

    def table(self, key: str, kind: str) -> "Table":
        """Return a subtable; an absent one counts as empty."""
        return Table(self.document, self._get(key, {}), (*self.path, key), kind)

    def tables(self, key: str, kind: str) -> "dict[str, Table]":
        """Return the named tables below a key, at least one, in the order of the file."""
        values = self._get(key, _REQUIRED)
        if not isinstance(values, dict) or not values:
            self.refuse(key, "there is nothing here", f"tables [{dotted((*self.path, key), 1)}.NAME]", shown(values))
        out = {}
        for name, value in values.items():
            self.document.refuse_bad_name((*self.path, key, name))
            out[name] = Table(self.document, value, (*self.path, key, name), kind)
        return out

    def rows(self, key: str, kind: str) -> "list[Table]":
        """Return an array of tables."""
        values = self._get(key, [])
        if not isinstance(values, list):
            self.refuse(key, "this is no array of tables", f"[[{dotted((*self.path, key), 1)}]]", shown(values))
        return [Table(self.document, value, (*self.path, key, index), kind) for index, value in enumerate(values)]

    def items(self, key: str) -> dict[str, object]:
        """Return the bare entries of a table whose keys are free."""
        values = self._get(key, {})
        if not isinstance(values, dict):
            self.refuse(key, "this is no table", "a table", shown(values))
        return values

    def raw(self, key: str, default: object = None) -> object:
        """Return the value as it stands."""
        return self._get(key, default)

    def at(self, key: str, default: object = _REQUIRED) -> Value:
        """Return the value of a key, or the default in its place."""
        return Value(self, key, self._get(key, default))

    def optional(self, key: str, read: Callable[[Value], _Read]) -> _Read | None:
        """Return what is read of a key; None when it is absent."""
        return read(self.at(key)) if key in self else None

    def text(self, key: str, default: object = _REQUIRED, *, limit: int = 4096) -> str:
        """Return a text that is not empty."""
        return self.at(key, default).text(limit)

    def integer(self, key: str, least: int, most: int, default: object = _REQUIRED) -> int:
        """Return an integer in a range."""
        return self.at(key, default).integer(least, most)

    def choice(self, key: str, options: tuple[str, ...], default: object = _REQUIRED) -> str:
        """Return one of a few words."""
        return self.at(key, default).choice(options)

    def texts(self, key: str, default: object = _REQUIRED, *, least: int = 0, most: int = 64) -> tuple[str, ...]:
        """Return an array of texts without repetitions."""
        return self.at(key, default).texts(least, most)


def iso_day(value: object) -> str | None:
    """Return a TOML date as YYYY-MM-DD; None for anything else. The reader of TOML has seen that the day exists."""
    from datetime import date, datetime  # noqa: PLC0415 - the reader of TOML has loaded it

    return value.isoformat() if isinstance(value, date) and not isinstance(value, datetime) else None
