"""Which texts may have line feeds and marks of scripts: by the key they stand at, whatever the tables above are called.

Source of truth: docs/format/product-file.md; product/keys.py lists the keys.
"""

import pytest

from imgseal.errors import UsageError
from imgseal.product.parse_toml import parse
from imgseal.product.schema import KEYS
from imgseal.product.write_toml import write_toml

FREE = ("description", "hazard", "reason")
NAMES = (*FREE, "text", "vendor_name", "model", "cautions", "app")
MARKS = {"line feed": "a\nb", "turned": "abc\u202edef", "joined": "a\u200cb"}


def places() -> list[tuple[tuple[str, ...], bool]]:
    """Every key with a name of a key for each NAME, and below a variant of such a name; whether people read it."""
    found = []
    for table, keys in KEYS.items():
        for name in NAMES:
            parts = [name if part == "NAME" else part for part in table.split(".") if part]
            for key in keys:
                people = key in FREE or table == "text"
                found.append(((*parts, key), people))
                if parts[:1] == ["component"]:
                    found.append((("variant", name, *parts, key), people))
    for name in NAMES:
        found += [(("component", name, "needs", other), False) for other in NAMES]
    return sorted(set(found))


def parses(path: tuple[str, ...], value: object) -> bool:
    tree = value
    for part in reversed(path):
        tree = {part: tree}
    assert isinstance(tree, dict)
    try:
        parse(write_toml(tree), "imgseal.toml")
    except UsageError as error:
        return error.message != "a character that is no part of a text on one line"
    return True


@pytest.mark.parametrize("kind", MARKS)
def test_the_key_decides_and_no_name_above_it(kind: str) -> None:
    wrong = [
        (path, value)
        for path, people in places()
        for value in (MARKS[kind], ["plain", MARKS[kind]])
        if parses(path, value) != people
    ]
    assert wrong == []
    assert len(places()) > 600


def test_what_no_text_may_have() -> None:
    assert not any(parses(path, "a\x1b[31mb") for path, _ in places())
