"""The line of a key, and what it costs to find: against a slow search that needs to know no TOML.

Source of truth: TOML 1.0 as tomllib reads it. A beginning of the text that parses and holds the key, while the beginning that is one statement
shorter does not, ends with the statement that is looked for.
"""

import random
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from long_runs import mainly

from imgseal.errors import UsageError
from imgseal.product import locate
from imgseal.product.locate import deep_key, line_of
from imgseal.product.read_toml import read
from imgseal.product.starter import product_text

Path_ = tuple[str | int, ...]
ROOT = Path(__file__).parents[2]


def holds(tree: Any, path: Path_) -> bool:
    for key in path:
        if isinstance(tree, list):
            tree = dict(enumerate(tree))
        if not isinstance(tree, dict) or key not in tree:
            return False
        tree = tree[key]
    return True


def slowly(text: str, path: Path_) -> int | None:
    lines = text.splitlines(keepends=True)
    good = 0
    for count, line in enumerate(lines, 1):
        if good == count - 1 and (not line.strip() or line.lstrip().startswith("#")):
            good = count
            continue
        try:
            tree = tomllib.loads("".join(lines[:count]))
        except tomllib.TOMLDecodeError:
            continue
        if holds(tree, path):
            return good + 1
        good = count
    return None


def paths(tree: object, above: Path_ = ()) -> list[Path_]:
    below = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    return [path for key, value in below for path in [(*above, key), *paths(value, (*above, key))]]


def text_of(rng: random.Random) -> str:
    """Statements of every kind, with what looks like another kind inside texts and comments."""
    traps = ("[a]", "]", "}", "# no comment", "x = 1", "'", "a.b.c", "=", "\\\\", "")
    names = ("a", "b", "c-d", '"e.f"', "'g # h'", '"[i]"')

    def value(depth: int = 0) -> str:
        kind = rng.randrange(8 if depth < 2 else 5)
        if kind == 0:
            return str(rng.randrange(100))
        if kind == 1:
            return '"' + rng.choice(traps) + rng.choice(("", '\\"', "\\\\")) + '"'
        if kind == 2:
            return "'" + rng.choice(traps).replace("'", "") + "'"
        if kind == 3:
            inner = rng.choice(("\n[a]\n", '\n x = "1" # ]\n', 'a "" b', "\\\n\n  z", '\\"""')) + rng.choice(traps)
            return '"""' + inner + rng.choice(("", '"', '""')) + '"""'
        if kind == 4:
            return "'''" + rng.choice(("\n[b]\n", " '' ] ", "\\")) + "'" * rng.randrange(3) + "'''"
        if kind == 5:
            joined = rng.choice((", ", ",\n  # [x]\n  ", "\n, "))
            return "[" + joined.join(value(depth + 1) for _ in range(rng.randrange(4))) + rng.choice(("", "\n")) + "]"
        rows = [f"k{n}{rng.choice(('', '.z'))} = {value(2)}" for n in range(rng.randrange(3))]
        return "{ " + ", ".join(rows) + " }" if rows else "{}"

    lines = []
    for _ in range(rng.randrange(1, 14)):
        kind = rng.randrange(8)
        name = ".".join(rng.choice(names) for _ in range(rng.choice((1, 1, 2))))
        if kind == 0:
            lines.append(rng.choice(("", "# [c]", "  ", "\t# = '''")))
        elif kind == 1:
            lines.append(f"[{name}]{rng.choice(('', ' # ]'))}")
        elif kind == 2:
            lines.append(f"  [[{name}]]")
        else:
            lines.append(f"{name} = {value()}{rng.choice(('', ' # [a]', ' '))}")
    return rng.choice(("\n", "\r\n")).join(lines) + rng.choice(("", "\n"))


def test_the_line_is_that_of_a_slow_search() -> None:
    rng = random.Random("lines")
    tried = 0
    for _ in range(4_000):
        text = text_of(rng)
        try:
            tree = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            continue  # a name twice, mostly
        for path in [*paths(tree), ("nothing",), ("a", 7)]:
            assert line_of(text, path) == slowly(text, path), (text, path)
            tried += 1
    assert tried > 7_000


@pytest.mark.parametrize(
    "name", mainly("imgseal/product/vent_drive.toml", ("imgseal/product/vent_drive.toml", "tests/kit/kit_product.toml"))
)
def test_in_the_product_files_that_there_are(name: str) -> None:
    text = (ROOT / name).read_text()
    for path in paths(tomllib.loads(text)):
        assert line_of(text, path) == slowly(text, path), path


def test_what_it_costs_grows_as_the_text_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted: the characters that tomllib is given, for a mistake in the last of many statements."""
    real, given = tomllib.loads, [0]

    def loads(text: str) -> dict[str, object]:
        given[0] += len(text)
        return real(text)

    monkeypatch.setattr(tomllib, "loads", loads)
    row = '\n[[gate.exception]]\npath = "a{}.hex"\nreason = "not ours"\nuntil = {}\n'
    long = "[text]\ncautions = [\n" + '"stop",\n' * 2000 + "]\n"
    for rows in (200, 400):
        text = product_text() + "".join(row.format(n, "2030-01-01") for n in range(rows)) + row.format("x", 3)
        given[0] = 0
        with pytest.raises(UsageError, match="not a value allowed here"):
            read(text, name="imgseal.toml")
        assert given[0] < 2 * len(text)
    given[0] = 0
    assert line_of(long, ("text", "cautions", 1999)) == 2
    assert given[0] < 2 * len(long)


def test_variants_cost_what_they_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tree is not copied for each of them."""
    import copy

    monkeypatch.setattr(copy, "deepcopy", lambda *_: pytest.fail("a copy of everything"))
    text = product_text() + "".join(
        f'\n[variant.v{n}]\nclass = "c{n}"\n[variant.v{n}.component.motor]\ncounter = 9\n' for n in range(3)
    )
    chosen = read(text, name="imgseal.toml", variant="v1")
    assert (chosen.class_name, chosen.components["motor"].counter) == ("c1", 9)
    assert read(text, name="imgseal.toml").components["motor"].counter == 6
    other = "component.motor = 3\n" + re.sub(r"(?ms)^\[component\.[^\n]*\n.*?(?=^\[(?!component))", "", text)
    with pytest.raises(UsageError, match="no table"):
        read(other, name="imgseal.toml")


@pytest.mark.parametrize("form", ["{} = 1", "[{}]", "[[{}]]", "x = {{ {} = 1 }}", "x = [ {{ {} = 1 }} ]"])
@pytest.mark.parametrize("part", ["a", '"b c"', "'d.e'", " f "])
def test_a_key_of_many_parts_is_refused_before_it_costs(form: str, part: str) -> None:
    deep = 'a = "x"\n# c\n' + form.format(".".join([part] * 50_000)) + "\n"
    with pytest.raises(UsageError, match="more parts") as refused:
        read(deep, name="imgseal.toml")
    assert refused.value.place.line == 3
    assert deep_key(form.format(".".join([part] * 30))) is None


def test_what_looks_like_such_a_key_is_none() -> None:
    dots = ".".join("a" * 100)
    for text in (
        f'a = "{dots}"',
        f"a = '{dots}' # {dots}",
        f'a = """\n{dots}\n"""',
        f"# {dots}",
        f"a = '''\n'{dots}'\n'''",
    ):
        assert tomllib.loads(text) is not None
        assert deep_key(text) is None


def test_hostile_texts_take_no_longer() -> None:
    """Each once took the square of its length, or would with a careless pattern; a hang fails by the time limit."""
    for text in (
        "." * 300_000,
        ". " * 300_000,
        " " * 300_000 + ".",
        '."' * 300_000,
        ".'" * 300_000,
        '"""' + '"" ' * 300_000,
        "a" * 300_000,
    ):
        deep_key(text)
        locate.line_of(text, ("a",))
