"""Compact JSON in one encoding, and strict access to what was parsed: every key there, none else, each of its type."""

from typing import NoReturn

from imgseal.errors import Place
from imgseal.formats.log.errors import LogFormatError

Json = dict[str, object]
_RESTORE = "restore the file from version control or a backup"
_HEX = frozenset("0123456789abcdef")


def encode(tree: Json) -> bytes:
    """Return the encoding: keys in the order of the format's table, no blanks, ASCII."""
    import json  # noqa: PLC0415 - 5 ms, for release logs only

    return json.dumps(tree, separators=(",", ":"), ensure_ascii=True).encode("ascii")


def parse(data: bytes, what: str) -> object:
    """Parse JSON of bounded size; LogFormatError for what is none."""
    import json  # noqa: PLC0415 - 5 ms, for release logs only

    found = None
    try:
        return json.loads(data.decode("ascii"))
    except UnicodeDecodeError as error:
        found = f"byte 0x{data[error.start]:02x} at column {error.start + 1}"
    except json.JSONDecodeError as error:
        found = f"{error.msg[:1].lower()}{error.msg[1:]} at column {error.pos + 1}"
    except RecursionError:
        found = "too deep a nesting"
    except ValueError:
        found = "a number of thousands of digits"  # Python refuses it with an error of its own
    raise LogFormatError(f"this {what} is not JSON", expected=f"a {what} in ASCII", found=found, hint=_RESTORE)


class Node:
    """A value of parsed JSON; `key` is its place in the node above, for messages.

    A class with slots, and paths that are put together when they are needed: a log has fifty nodes a line.
    """

    __slots__ = ("above", "key", "value")

    def __init__(self, value: object, key: str | int, above: "Node | None" = None) -> None:
        self.value = value
        self.key = key
        self.above = above

    @property
    def path(self) -> str:
        """The path to the value, such as `entry.packages[0].class`."""
        if self.above is None:
            return str(self.key)
        return self.above.path + (f"[{self.key}]" if isinstance(self.key, int) else f".{self.key}")

    def wrong(self, expected: str) -> LogFormatError:
        """Return the error about this value."""
        shown = repr(self.value)
        return LogFormatError(
            "not a value allowed here",
            place=Place(key=self.path),
            expected=expected,
            found=shown if len(shown) <= 80 else shown[:77] + "...",
            hint=_RESTORE,
        )

    def members(self, *keys: str) -> dict[str, "Node"]:
        """Return the members of an object with exactly these keys."""
        value = self.value
        if not isinstance(value, dict):
            raise self.wrong("an object with " + ", ".join(keys))
        if list(value) != list(keys):
            self._refuse_keys(value, keys)
        return {key: Node(value[key], key, self) for key in keys}

    def _refuse_keys(self, value: Json, keys: tuple[str, ...]) -> NoReturn:
        unknown = [key for key in value if key not in keys]
        missing = [key for key in keys if key not in value]
        message, about = (
            ("unknown key", unknown[0]) if unknown else ("a key is missing", missing[0]) if missing
            else ("the keys are in another order", next(iter(value)))
        )  # fmt: skip
        raise LogFormatError(
            message,
            place=Place(key=f"{self.path}.{about[:64]}"),
            expected=", ".join(keys),
            found=", ".join(value)[:200] or "nothing",
            hint=_RESTORE,
        )

    def items(self, least: int, most: int) -> list["Node"]:
        """Return the items of an array."""
        value = self.value
        if not isinstance(value, list) or not least <= len(value) <= most:
            raise self.wrong(f"an array of {least} to {most} items")
        return [Node(item, index, self) for index, item in enumerate(value)]

    def integer(self, least: int, most: int) -> int:
        """Return an integer in a range."""
        value = self.value
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise self.wrong(f"an integer from {least} to {most}")
        return value

    def text(self, most: int, *, least: int = 1) -> str:
        """Return a text of printable ASCII without the two characters that JSON would escape."""
        value = self.value
        if (
            not isinstance(value, str)
            or not least <= len(value) <= most
            or not (value.isascii() and value.isprintable())
            or '"' in value
            or "\\" in value
        ):
            raise self.wrong(f"{least} to {most} printable ASCII characters without quotation mark and backslash")
        return value

    def hexadecimal(self, least: int, most: int) -> bytes:
        """Return bytes from lower-case hex digits."""
        value = self.value
        if (
            not isinstance(value, str)
            or not 2 * least <= len(value) <= 2 * most
            or len(value) % 2
            or not _HEX.issuperset(value)
        ):
            size = f"{2 * least}" if least == most else f"{2 * least} to {2 * most}"
            raise self.wrong(f"{size} lower-case hex digits")
        return bytes.fromhex(value)
