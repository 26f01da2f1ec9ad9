"""TOML that is written: `tomllib`, the standard library's reader, gives the same tree back."""

import math
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgseal.errors import InternalError
from imgseal.product.read_toml import read, resolved
from imgseal.product.starter import STARTER, product_text
from imgseal.product.write_toml import write_toml

# no surrogates: TOML is UTF-8
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
SCALARS = st.none().flatmap(
    lambda _: st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False) | TEXT
)
TREES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3), max_leaves=12
)


@given(st.dictionaries(TEXT, TREES, max_size=4))
def test_what_is_written_is_read_back(tree: dict[str, object]) -> None:
    assert tomllib.loads(write_toml(tree)) == tree


@pytest.mark.parametrize(
    "tree",
    [
        {},
        {"": 1},
        {"a": {}},
        {"a": {"b": {"c": 1}}, "d": 2},
        {"a": [{"b": 1}, {"c": {"d": [{"e": 2}]}}], "f": 3},
        {"a": [{"b": 1}, 2], "c": [[], {}]},
        {"a.b": {'"': "\\", "\x00": "\x7f\u2028\U0001f600\n\r\t"}},
        {"a": [1e300, -0.5, math.inf, 1.0], "b": [True, False]},
    ],
)
def test_edges(tree: dict[str, object]) -> None:
    text = write_toml(tree)
    assert tomllib.loads(text) == tree
    assert text.endswith("\n")


def test_days_are_part_of_product_files_and_times_are_not() -> None:
    tree = tomllib.loads("a = 2026-01-01")
    assert tomllib.loads(write_toml(tree)) == tree
    for text in ("a = 2026-01-01T10:00:00", "a = 10:00:00"):
        with pytest.raises(InternalError):
            write_toml(tomllib.loads(text))


@pytest.mark.parametrize("text", [product_text(), STARTER])
def test_a_resolved_product_file_means_the_same(text: str) -> None:
    overrides = {"release.version": "9.8.7", "release.sequence": "65"}
    written = write_toml(resolved(text, name="imgseal.toml", overrides=overrides))
    assert read(written, name="imgseal.toml") == read(text, name="imgseal.toml", overrides=overrides)


def test_a_resolved_variant_stands_alone() -> None:
    text = (
        product_text()
        + '\n[variant.north]\nclass = "vent-drive-2-north"\ncomponent.radio.counter = 9\n[variant.south]\n'
    )
    written = write_toml(resolved(text, name="imgseal.toml", variant="north"))
    assert "variant" not in tomllib.loads(written)
    alone, variant = read(written, name="imgseal.toml"), read(text, name="imgseal.toml", variant="north")
    assert alone == variant._replace(variants={}, variant=None)
    assert (alone.class_name, alone.components["radio"].counter) == ("vent-drive-2-north", 9)
