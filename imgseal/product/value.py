"""Values of the product file: what the value of a key has to be, each kind read in one place."""

from collections.abc import Callable, Collection
from typing import NoReturn

from imgseal.errors import meant
from imgseal.values import Document, Node, shown
from imgseal.versions import decimal

_UNITS = {"B": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30, "Kbit": 1 << 7, "Mbit": 1 << 17, "Gbit": 1 << 27}


class Value(Node):
    """The value of a key; what is wrong with it is said by `refuse` of its table, which knows what the key is."""

    __slots__ = ("_refuse",)

    def __init__(self, document: Document, key: str, value: object, refuse: Callable[..., NoReturn]) -> None:
        super().__init__(document, value, key)
        self._refuse = refuse

    def refuse(
        self,
        expected: str | None,
        message: str = "not a value allowed here",
        found: str | None = None,
        hint: str | None = None,
    ) -> NoReturn:
        """Raise UsageError about the key."""
        self._refuse(str(self.key), message, expected, shown(self.value) if found is None else found, hint)

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
        fits = len(times) == 2 and all(type(t) in (int, float) and 0 < t <= 1e9 for t in times)
        if not fits or times[0] > times[1]:
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
        fits = isinstance(value, list) and all(isinstance(v, str) and v for v in value)
        if not fits or len(set(value)) != len(value) or not least <= len(value) <= most:
            self.refuse(f"{least} to {most} different texts in brackets", "this is no list of names")
        return tuple(value)

    def some_of(self, options: Collection[str]) -> tuple[str, ...]:
        """Return an array of known words, in the order in which they are known."""
        words = self.texts(0, len(options))
        for word in words:
            if word not in options:
                self.refuse(
                    " or ".join(f'"{option}"' for option in options), "no such word", word, meant(word, options)
                )
        return tuple(option for option in options if option in words)

    def one_or_more(self, most: int) -> tuple[str, ...]:
        """Return texts: an array of them, or one alone."""
        return (self.text(),) if isinstance(self.value, str) else self.texts(1, most)

    def hardware(self) -> tuple[int, int]:
        """Return a range of hardware revisions, both ends included."""
        value = self.value
        if type(value) is int and 0 <= value <= 0xFFFF:
            return value, value
        if isinstance(value, str):
            least, dots, most = value.partition("..")
            low, high = decimal(least, 0xFFFF), decimal(most, 0xFFFF)
            if dots and low is not None and high is not None and low <= high:
                return low, high
        expected = 'a revision such as 3, or a range such as "2..4", of 0 to 65535'
        found = None if value is None else str(value)
        self._refuse(str(self.key), "this is no range of hardware revisions", expected, found)

    def erased(self) -> int | None:
        """Return what erased flash reads as; None where it reads as anything."""
        value = self.value
        if value == "unreadable":
            return None
        if type(value) is not int or value not in (0x00, 0xFF):
            self.refuse('0xFF, 0x00 or "unreadable"', "no value that erased flash reads as")
        return value

    def domain(self) -> str:
        """Return a domain."""
        text = self.text(253)
        if not all(c.isascii() and (c.isalnum() or c in "-.") for c in text) or "." not in text.strip("."):
            self.refuse('a domain you own, such as "quillmoor.example"', "this is no domain", text)
        return text

    def name(self) -> str:
        """Return a name that makes a file name."""
        text = self.text(64)
        if not is_name(text):
            self.refuse("letters, digits, - and _", "a name that would not make a file name", text)
        return text

    def language(self) -> str:
        """Return a language tag."""
        text = self.text(35)
        parts = text.split("-")
        if not all(1 <= len(p) <= 8 and p.isascii() and p.isalnum() for p in parts) or not parts[0].isalpha():
            self.refuse('a tag such as "en" or "de-CH"', "this is no language tag", text)
        return text

    def file(self, such: str) -> str:
        """Return the name of a file that is written."""
        path = self.text(1024)
        if not path.isprintable() or path.endswith("/"):
            self.refuse(f'a path such as "{such}"', "this is no file name", repr(path))
        return path

    def sha256(self) -> str:
        """Return a SHA-256 in lower-case hex digits."""
        digest = self.text().lower()
        if len(digest) != 64 or any(c not in "0123456789abcdef" for c in digest):
            self.refuse("64 hex digits, as the refusal prints them", "this is no SHA-256", digest)
        return digest

    def pattern(self) -> str:
        """Return a path pattern."""
        return self._pattern(self.text())

    def patterns(self) -> tuple[str, ...]:
        """Return path patterns."""
        return tuple(self._pattern(text) for text in self.texts(0, 64))

    def _pattern(self, text: str) -> str:
        from imgseal.product.path_pattern import wrong_with  # noqa: PLC0415 - where there are patterns

        wrong = wrong_with(text)
        if wrong is not None:
            self.refuse('a pattern such as "third-party/*.hex"', "this is no path pattern", f"{text}: {wrong}")
        return text


def is_name(text: str) -> bool:
    """Say whether a text is a name: names become parts of files, options, C and linker scripts."""
    return text.isascii() and text.replace("-", "").replace("_", "").isalnum()


def iso_day(value: object) -> str | None:
    """Return a TOML date as YYYY-MM-DD; None for anything else. The reader of TOML has seen that the day exists."""
    from datetime import date, datetime  # noqa: PLC0415 - the reader of TOML has loaded it

    return value.isoformat() if isinstance(value, date) and not isinstance(value, datetime) else None
