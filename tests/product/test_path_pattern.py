"""Path patterns: whole paths, within names and across folders. Common practice of shells, no source; stated in docs/format/product-file.md."""

import random

import pytest
from workshop import product

from imgseal.errors import UsageError
from imgseal.product.path_pattern import matches, wrong_with


@pytest.mark.parametrize(
    ("pattern", "path", "want"),
    [
        ("a.hex", "a.hex", True),
        ("a.hex", "b/a.hex", False),
        ("*.hex", "a.hex", True),
        ("*.hex", "b/a.hex", False),
        ("*", "b/a.hex", False),
        ("**/a.hex", "a.hex", True),
        ("**/a.hex", "b/c/a.hex", True),
        ("b/**", "b/c/a.hex", True),
        ("b/**", "b", True),
        ("b/**", "ba/c", False),
        ("b/**/d/*.bin", "b/d/x.bin", True),
        ("b/**/d/*.bin", "b/c/d/e/d/x.bin", True),
        ("b/**/d/*.bin", "b/c/d/e/x.bin", False),
        ("?.hex", "ab.hex", False),
        ("[a].hex", "a.hex", False),
        ("[a].hex", "[a].hex", True),
        ("A.hex", "a.hex", False),
        ("**/**/x", "x", True),
        ("**", "a/b", True),
    ],
)
def test_table(pattern: str, path: str, want: bool) -> None:
    assert wrong_with(pattern) is None
    assert matches(pattern, path) is want


def slowly(pattern: str, name: str) -> bool:
    """Try every way."""
    if not pattern or not name:
        return not pattern.strip("*") and not name
    skipped = pattern[0] == "*" and (slowly(pattern[1:], name) or slowly(pattern, name[1:]))
    return skipped or (pattern[0] in ("?", name[0]) and slowly(pattern[1:], name[1:]))


def test_names_as_all_ways_match_them() -> None:
    rng = random.Random(5)
    seen = set()
    for _ in range(5000):
        pattern = "".join(rng.choices("ab*?[]!", k=rng.randint(1, 7)))
        name = "".join(rng.choices("ab[]!", k=rng.randint(1, 7)))
        if "**" in pattern:
            continue
        want = slowly(pattern, name)
        seen.add(want)
        assert matches(pattern, name) is want, (pattern, name)
    assert seen == {True, False}


def test_no_pattern_takes_long() -> None:
    """A matcher that tries every way would not come back from this."""
    assert not matches("*a" * 40 + "*b", "a" * 4000)
    assert not matches("**/a/" * 40 + "b", "a/" * 400 + "a")


GATE = """
[gate]
raw = ["**/*.payload.bin"]
[[gate.exception]]
path = "third-party/*.hex"
reason = "the radio maker's own boot code, sealed by nobody"
until = 2027-01-31
"""


def test_the_product_file_has_them() -> None:
    gate = product(lambda text: text + GATE).gate
    assert gate.raw == ("**/*.payload.bin",)
    assert [tuple(each) for each in gate.exceptions] == [
        ("third-party/*.hex", "the radio maker's own boot code, sealed by nobody", "2027-01-31")
    ]
    assert (product().gate.exceptions, product().gate.raw) == ((), ())


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("third-party/*.hex", "/third-party/*.hex", "gate.exception[1].path", "two in a row"),
        ("third-party/*.hex", "a/../*.hex", "gate.exception[1].path", "match nothing"),
        ("third-party/*.hex", "a\\\\b", "gate.exception[1].path", "separated by /"),
        ("**/*.payload.bin", "a**/b", "gate.raw", "stands alone"),
        ("2027-01-31", '"2027-01-31"', "gate.exception[1].until", "without quotes"),
        ("2027-01-31", "2027-01-31T00:00:00", "gate.exception[1].until", "without quotes"),
        ("until = 2027-01-31", "", "gate.exception[1].until", "missing"),
        (
            'reason = "the radio maker\'s own boot code, sealed by nobody"',
            'reason = " "',
            "gate.exception[1].reason",
            "no text",
        ),
        ("reason", "because", "gate.exception[1].because", "unknown key"),
        ("raw =", "row =", "gate.row", "did you mean raw"),
    ],
)
def test_mistakes_are_named(old: str, new: str, key: str, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        product(lambda text: text + GATE.replace(old, new))
    assert caught.value.place.key == key
    assert words in str(caught.value)


def test_a_resolved_file_keeps_its_days() -> None:
    import tomllib

    from imgseal.product.read_toml import resolved
    from imgseal.product.starter import product_text
    from imgseal.product.write_toml import write_toml

    tree = resolved(product_text() + GATE, name="imgseal.toml")
    assert tomllib.loads(write_toml(tree)) == tree
