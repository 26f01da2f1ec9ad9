"""From the text of a product file to its tree: TOML, and what TOML allows and no product file may hold."""

import re

from imgseal.errors import Place, UsageError
from imgseal.product.locate import deep_key
from imgseal.product.schema import KEYS
from imgseal.values import shown

Tree = dict[str, object]
_PEOPLE = tuple(
    (*table.split("."), key)
    for table, keys in KEYS.items()
    for key in keys
    if table == "text" or key in ("description", "hazard", "reason")
)
"""Keys of texts that people read, in any language; NAME stands for a name of the maker's choice."""


def parse(text: str, name: str) -> Tree:
    """Return the tree of a product file; UsageError with the line for what is no TOML, or has no place in one."""
    import tomllib  # noqa: PLC0415 - on use

    if text.startswith("\ufeff"):
        raise UsageError(
            "this file begins with a byte order mark, which TOML does not allow",
            place=Place(file=name, line=1, offset=0),
            hint="save it as UTF-8 without a byte order mark",
        )
    deep = deep_key(text)
    if deep is not None:
        raise UsageError(
            "a key of more parts than a product file can need",
            place=Place(file=name, line=deep),
            expected="names with a few dots between them",
            hint="imgseal init writes a file to start from",
        )
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        front, at_line, tail = str(error).rpartition(" (at line ")
        message, line = (front, int(tail.split(",")[0])) if at_line else (tail, None)
        raise UsageError(
            f"this is not TOML: {message[:1].lower()}{message[1:]}",
            place=Place(file=name, line=line),
            hint="a table or key stands there twice: put both into one"
            if message.lower().startswith("cannot")
            else "see toml.io for the syntax; text needs quotes, a number none",
        ) from None
    except RecursionError:
        raise UsageError(
            "this is nested too deeply to be a product file",
            place=Place(file=name),
            hint="imgseal init writes a file to start from",
        ) from None
    except ValueError:  # Python converts no number of thousands of decimal digits
        longest = max(re.finditer("[0-9_]+", text), key=lambda found: len(found.group()))
        raise _too_long(Place(file=name, line=text.count("\n", 0, longest.start()) + 1)) from None
    unfit = _unfit(tree)
    if unfit is not None:
        from imgseal.product.locate import line_of  # noqa: PLC0415 - only on the way to an error

        value, path = unfit
        place = Place(file=name, line=line_of(text, path), key=".".join(map(str, path)))
        if isinstance(value, int):
            raise _too_long(place)
        raise UsageError(
            "a character that is no part of a text on one line",
            place=place,
            expected="letters, digits, signs and blanks; in texts for people also line feeds",
            found=shown(value),
            hint="take it out: it could act on the terminal or the file that the text is shown in",
        )
    return tree


def _too_long(place: Place) -> UsageError:
    return UsageError(
        "a number that is too long for TOML",
        place=place,
        expected="a whole number of 64 bits, as TOML has them",
        hint="no key of a product file needs more than 4294967295",
    )


def _unfit(tree: Tree) -> tuple[int | str, tuple[str | int, ...]] | None:
    """Return a value that no product file holds, and where it stands.

    That is an integer of more than 64 bits: in hexadecimal one may be too long to be shown. Or a text with control
    characters: names, paths and words of a product file go to terminals, C sources, build files and pages.
    """
    left: list[tuple[object, list[object]]] = [(tree, [])]  # a value; its key and, as a chain, the path of its table
    while left:
        value, where = left.pop()
        if isinstance(value, int) and value.bit_length() > 63:
            return value, _path(where)
        if isinstance(value, str) and not value.isprintable():
            path = _path(where)
            if not _for_people(path) or any(_is_control(c) for c in value):
                return value, path
        if isinstance(value, dict):
            for key, entry in value.items():
                if not key.isprintable():
                    return key, (*_path(where), key)
                left.append((entry, [key, where]))
        elif isinstance(value, list):
            left += [(entry, [index, where]) for index, entry in enumerate(value)]
    return None


def _for_people(path: tuple[str | int, ...]) -> bool:
    """Say whether people read the text at a path; a table or component may have the name of such a key."""
    keys = [part for part in path if isinstance(part, str)]
    if keys[0] == "variant":
        keys = keys[2:]
    return any(
        len(keys) == len(known) and all(name in ("NAME", key) for name, key in zip(known, keys, strict=True))
        for known in _PEOPLE
    )


def _is_control(character: str) -> bool:
    """Say whether a character of a text for people is none: languages join and turn letters, and break lines."""
    return character != "\n" and (character < " " or "\x7f" <= character <= "\x9f")


def _path(where: list[object]) -> tuple[str | int, ...]:
    path: list[str | int] = []
    while where:
        key, where = where  # type: ignore[assignment]
        path.append(key)  # type: ignore[arg-type]
    return tuple(reversed(path))
