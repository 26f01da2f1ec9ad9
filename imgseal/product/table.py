"""Strict access to one TOML table.

Every key known, every value of its type and range, every error with line and path.
"""

from collections.abc import Callable, Mapping
from typing import NoReturn, TypeVar

from imgseal.errors import Place, UsageError
from imgseal.product.schema import KEYS, Key, keys_of
from imgseal.versions import Version, decimal

_UNITS = {
    "B": 1,
    "KiB": 1 << 10,
    "MiB": 1 << 20,
    "GiB": 1 << 30,
    "Kbit": 1 << 7,
    "Mbit": 1 << 17,
    "Gbit": 1 << 27,
}
KeyPath = tuple[str | int, ...]
_REQUIRED = object()
_Value = TypeVar("_Value")


class Document:
    """The text behind the tables: knows the lines, so that tables need not.

    `moved` tells of key paths where the text has them, if elsewhere: a variant's keys stand in for the product's.
    """

    __slots__ = ("moved", "name", "text")

    def __init__(self, text: str, name: str, moved: Mapping[KeyPath, KeyPath] | None = None) -> None:
        self.text = text
        self.name = name
        self.moved = moved or {}

    def refuse(
        self,
        path: KeyPath,
        message: str,
        expected: str | None,
        found: str | None,
        hint: str | None = None,
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
            place=Place(file=self.name, line=line, key=_dotted(path)),
            expected=expected,
            found=found,
            hint=hint or "imgseal init writes a file with comments to compare with",
        )

    def refuse_bad_name(self, path: tuple[str | int, ...]) -> None:
        """Refuse a path whose last part is no name: names become parts of files, options, C and linker scripts."""
        name = str(path[-1])
        if not name.isascii() or not name.replace("-", "").replace("_", "").isalnum():
            self.refuse(path, "a name that would not make a file name", "letters, digits, - and _", name)


def _dotted(path: tuple[str | int, ...]) -> str:
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


class Table:
    """One table of the file, under `path`; `kind` names its row of keys."""

    __slots__ = ("_kind", "_values", "document", "path")

    def __init__(self, document: Document, values: object, path: tuple[str | int, ...], kind: str) -> None:
        self.document = document
        self.path = path
        self._kind = kind
        if not isinstance(values, dict):
            document.refuse(path, "this is no table", "a table", shown(values))
        self._values: dict[str, object] = values
        allowed = keys_of(kind)
        for key in values:
            if key not in allowed:
                from difflib import get_close_matches  # noqa: PLC0415 - only on the way to an error

                near = get_close_matches(key, allowed, n=1)
                document.refuse(
                    (*path, key),
                    "unknown key",
                    "one of " + ", ".join(allowed),
                    key,
                    f"did you mean {near[0]}?" if near else None,
                )

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
            self.refuse(key, "there is nothing here", f"tables [{_dotted((*self.path, key))}.NAME]", shown(values))
        out = {}
        for name, value in values.items():
            self.document.refuse_bad_name((*self.path, key, name))
            out[name] = Table(self.document, value, (*self.path, key, name), kind)
        return out

    def rows(self, key: str, kind: str) -> "list[Table]":
        """Return an array of tables."""
        values = self._get(key, [])
        if not isinstance(values, list):
            self.refuse(key, "this is no array of tables", f"[[{_dotted((*self.path, key))}]]", shown(values))
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

    def text(self, key: str, default: object = _REQUIRED, *, limit: int = 4096) -> str:
        """Return a text that is not empty."""
        value = self._get(key, default)
        if not isinstance(value, str) or not value.strip() or len(value) > limit:
            self.refuse(key, "this is no text", f"a text of 1 to {limit} characters in quotes", shown(value))
        return value

    def optional_text(self, key: str) -> str | None:
        """Return a text, or None when the key is absent."""
        return self.text(key) if key in self._values else None

    def choice(self, key: str, options: tuple[str, ...], default: object = _REQUIRED) -> str:
        """Return one of a few words."""
        value = self._get(key, default)
        if value not in options:
            words = " or ".join(f'"{o}"' for o in options)
            near = [o for o in options if isinstance(value, str) and o.lower() == value.strip().lower()]
            hint = f'write it so: {key} = "{near[0]}"' if near else None
            self.refuse(key, "not one of the words allowed here", words, shown(value), hint)
        return str(value)

    def integer(self, key: str, least: int, most: int, default: object = _REQUIRED) -> int:
        """Return an integer in a range."""
        value = self._get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.refuse(
                key,
                "not a number allowed here",
                str(least) if least == most else f"an integer from {least} to {most}",
                shown(value),
                "a number has no quotes" if isinstance(value, str) else None,
            )
        return value

    def seconds(self, key: str) -> float | None:
        """Return a time above 0, or None when the key is absent; the unit is the key's."""
        if key not in self._values:
            return None
        value = self._values[key]
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= 1_000_000:
            self.refuse(key, "not a time allowed here", "a number above 0, at most 1000000", shown(value))
        return float(value)

    def pair(self, key: str) -> tuple[float, float]:
        """Return a typical and a longest time, both above 0."""
        value = self._get(key, _REQUIRED)
        times = value if isinstance(value, list) else []
        if (
            len(times) != 2
            or any(isinstance(t, bool) or not isinstance(t, (int, float)) or not 0 < t <= 1e9 for t in times)
            or times[0] > times[1]
        ):
            self.refuse(key, "not a typical and a longest time", "two numbers such as [45, 400]", shown(value))
        return float(times[0]), float(times[1])

    def day(self, key: str) -> str:
        """Return a TOML date as YYYY-MM-DD; the reader of TOML has seen that there is such a day."""
        value = self._get(key, _REQUIRED)
        day = iso_day(value)
        if day is None:
            self.refuse(key, "this is no day", f"a date without quotes, such as {key} = 2027-01-31", shown(value))
        return day

    def boolean(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value = self._get(key, default)
        if not isinstance(value, bool):
            self.refuse(key, "neither true nor false", "true or false", shown(value))
        return value

    def size(self, key: str, default: object = _REQUIRED) -> int:
        """Return bytes: an integer, or a number and a unit. A Mbit is 2**20 bits, as flash makers count."""
        value = self._get(key, default)
        if isinstance(value, int) and not isinstance(value, bool) and 0 < value <= 1 << 32:
            return value
        if isinstance(value, str):
            number, _, unit = value.strip().partition(" ")
            factor = _UNITS.get(unit.strip())
            count = decimal(number, 1 << 32)
            if count is not None and factor is not None and 0 < count * factor <= 1 << 32:
                return count * factor
        hint = None
        if isinstance(value, str):
            hint = "decimal kB and MB are too easily confused with the binary ones"
            if value.strip().endswith(tuple(unit for unit in _UNITS if len(unit) > 1)):
                hint = "a whole number, a blank, and the unit"
        self.refuse(key, "this is no size", 'bytes, or text such as "320 KiB", "1 MiB", "512 Mbit"', shown(value), hint)

    def version(self, key: str, default: object = _REQUIRED) -> Version:
        """Return a version."""
        value = self._get(key, default)
        if isinstance(value, Version):
            return value
        return self.parsed(key, value, Version.parse, 'a version such as "2.4.1" or "2.4.1-rc.1"')

    def parsed(self, key: str, value: object, parse: Callable[[str], _Value], expected: str) -> _Value:
        """Return what `parse` makes of a text; its ValueError becomes an error of the key."""
        try:
            if isinstance(value, str):
                return parse(value)
        except ValueError:
            pass
        self.refuse(key, "this cannot be read", expected, shown(value))

    def texts(self, key: str, default: object = _REQUIRED, *, least: int = 0, most: int = 64) -> tuple[str, ...]:
        """Return an array of texts without repetitions."""
        value = self._get(key, default)
        if (
            not isinstance(value, (list, tuple))
            or not all(isinstance(v, str) and v for v in value)
            or len(set(value)) != len(value)
            or not least <= len(value) <= most
        ):
            self.refuse(key, "this is no list of names", f"{least} to {most} different texts in brackets", shown(value))
        return tuple(value)


def iso_day(value: object) -> str | None:
    """Return a TOML date as YYYY-MM-DD; None for anything else. The reader of TOML has seen that the day exists."""
    from datetime import date, datetime  # noqa: PLC0415 - the reader of TOML has loaded it

    return value.isoformat() if isinstance(value, date) and not isinstance(value, datetime) else None


def shown(value: object) -> str:
    """Return a value as messages show it: short, and never with a PIN that stands in a PKCS#11 URI."""
    if value is None:
        return "nothing"
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    if "pin-value" in text.lower():
        return "a PKCS#11 URI with a PIN in it, not shown"
    return text if len(text) <= 80 else text[:77] + "..."
