"""CBOR: RFC 8949 appendix A, deterministic encoding of section 4.2.1, and what a lenient library would let pass."""

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgseal.formats.cbor.diagnose import diagnose
from imgseal.formats.cbor.strict import CborError, Tag, decode, encode, scan
from imgseal.limits import CBOR_DEPTH, CBOR_ITEMS

# RFC 8949 appendix A, the rows of the types used here (typed from the RFC's table from memory; cbor2 confirms each)
APPENDIX_A: list[tuple[object, str, str]] = [
    (0, "00", "0"),
    (1, "01", "1"),
    (10, "0a", "10"),
    (23, "17", "23"),
    (24, "1818", "24"),
    (25, "1819", "25"),
    (100, "1864", "100"),
    (1000, "1903e8", "1000"),
    (1000000, "1a000f4240", "1000000"),
    (1000000000000, "1b000000e8d4a51000", "1000000000000"),
    (18446744073709551615, "1bffffffffffffffff", "18446744073709551615"),
    (-1, "20", "-1"),
    (-10, "29", "-10"),
    (-100, "3863", "-100"),
    (-1000, "3903e7", "-1000"),
    (-18446744073709551616, "3bffffffffffffffff", "-18446744073709551616"),
    (False, "f4", "false"),
    (True, "f5", "true"),
    (None, "f6", "null"),
    (b"", "40", "h''"),
    (b"\x01\x02\x03\x04", "4401020304", "h'01020304'"),
    ("", "60", '""'),
    ("a", "6161", '"a"'),
    ("IETF", "6449455446", '"IETF"'),
    ('"\\', "62225c", '"\\"\\\\"'),
    ("\u00fc", "62c3bc", '"\\u00fc"'),
    ("\u6c34", "63e6b0b4", '"\\u6c34"'),
    ([], "80", "[]"),
    ([1, 2, 3], "83010203", "[1, 2, 3]"),
    ([1, [2, 3], [4, 5]], "8301820203820405", "[1, [2, 3], [4, 5]]"),
    (list(range(1, 26)), "98190102030405060708090a0b0c0d0e0f101112131415161718181819", ""),
    ({}, "a0", "{}"),
    ({1: 2, 3: 4}, "a201020304", "{1: 2, 3: 4}"),
    ({"a": 1, "b": [2, 3]}, "a26161016162820203", '{"a": 1, "b": [2, 3]}'),
    (["a", {"b": "c"}], "826161a161626163", '["a", {"b": "c"}]'),
]

# rows of the same appendix that have no place in SUIT or COSE as used here: each is refused by name
REFUSED = [
    ("f90000", "floating point"),
    ("fb3ff199999999999a", "floating point"),
    ("f97c00", "floating point"),
    ("f7", "simple value"),
    ("f0", "simple value"),
    ("f8ff", "simple value"),
    ("c249010000000000000000", "tag"),
    ("c074323031332d30332d32315432303a30343a30305a", "tag"),
    ("d74401020304", "tag"),
    ("5f42010243030405ff", "indefinite"),
    ("7f657374726561646d696e67ff", "indefinite"),
    ("9fff", "indefinite"),
    ("9f018202039f0405ffff", "indefinite"),
    ("bf61610161629f0203ffff", "indefinite"),
]


@pytest.mark.parametrize(("value", "text", "notation"), APPENDIX_A, ids=[row[1][:20] for row in APPENDIX_A])
def test_rfc_8949_appendix_a(value: object, text: str, notation: str) -> None:
    data = bytes.fromhex(text)
    assert encode(value) == data
    assert decode(data, "row") == value
    assert cbor2.loads(data) == value
    if notation and not isinstance(value, str):
        assert diagnose(value) == notation


@pytest.mark.parametrize(("text", "word"), REFUSED)
def test_rows_of_appendix_a_that_are_refused(text: str, word: str) -> None:
    with pytest.raises(CborError, match=word):
        decode(bytes.fromhex(text), "row")


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "end"),
        ("18", "inside a head"),
        ("1800", "longer than needed"),
        ("1817", "longer than needed"),
        ("1900ff", "longer than needed"),
        ("1a0000ffff", "longer than needed"),
        ("1b00000000ffffffff", "longer than needed"),
        ("5818" + "00" * 23, "behind the end"),
        ("580161", "longer than needed"),
        ("0000", "bytes follow"),
        ("8201", "more items than bytes"),
        ("9a00ffffff", "more items than bytes"),
        ("820118", "inside a head"),
        ("a201020103", "twice"),
        ("a203040102", "order"),
        ("a2616201616102", "order"),
        ("a201", "more items than bytes"),
        ("61ff", "UTF-8"),
        ("1c", "indefinite length or reserved"),
        ("ff", "indefinite length or reserved"),
        ("f818", "simple value"),
    ],
)
def test_what_a_lenient_reader_would_let_pass(text: str, word: str) -> None:
    with pytest.raises(CborError, match=word) as caught:
        decode(bytes.fromhex(text), "thing")
    assert caught.value.place.offset is not None


def test_order_of_keys_is_bytewise() -> None:
    """RFC 8949 section 4.2.1, not the length-first order of RFC 7049: 24 (1818) comes before -1 (20)."""
    assert encode({-1: 0, 24: 0}) == bytes.fromhex("a2181800" + "2000")
    assert encode({(b"", b""): 0, (b"\x01\x02",): 0}).hex() == "a2" + "81420102" + "00" + "824040" + "00"


def test_unsorted_maps_only_where_asked_for() -> None:
    """Published COSE header maps are not sorted; duplicates are refused even there."""
    assert decode(bytes.fromhex("a203040102"), "header", sorted_maps=False) == {3: 4, 1: 2}
    with pytest.raises(CborError, match="twice"):
        decode(bytes.fromhex("a203040302"), "header", sorted_maps=False)


def test_limits() -> None:
    """What is at a limit is read, what is above it is not."""
    deepest = b"\x81" * CBOR_DEPTH + b"\x00"
    assert str(decode(deepest, "deep")).count("[") == CBOR_DEPTH
    with pytest.raises(CborError, match="deep"):
        decode(b"\x81" + deepest, "deep")
    assert decode(encode([0] * (CBOR_ITEMS - 1)), "wide") == [0] * (CBOR_ITEMS - 1)
    with pytest.raises(CborError, match="too many items"):
        decode(encode([0] * CBOR_ITEMS), "wide")


def test_tags() -> None:
    data = encode(Tag(107, {1: 2}))
    assert data.hex() == "d86ba10102"
    assert decode(data, "x", tags=frozenset({107})) == Tag(107, {1: 2})
    with pytest.raises(CborError, match="tag"):
        decode(data, "x")


SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**64), 2**64 - 1), st.binary(max_size=40), st.text(max_size=20)
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=5),
        st.dictionaries(st.one_of(st.integers(-300, 300), st.text(max_size=4)), inner, max_size=5),
    ),
    max_leaves=20,
)


@given(VALUES)
def test_values_survive_and_cbor2_reads_the_same(value: object) -> None:
    data = encode(value)
    assert decode(data, "value") == value
    assert cbor2.loads(data) == value
    assert scan(data, 0, "value") == len(data)


@given(st.binary(max_size=60))
def test_any_bytes_are_refused_or_have_one_encoding(data: bytes) -> None:
    try:
        value = decode(data, "bytes")
    except CborError:
        return
    assert encode(value) == data


def test_diagnostic_notation_of_nested_strings() -> None:
    """RFC 8610 appendix G.3 for << >>; long strings are cut for people."""
    assert diagnose({1: encode([1, b"\xff"])}) == "{1: << [1, h'ff'] >>}"
    for tag in (16, 17, 18, 96, 97, 98, 107, 111, 112, 1070):  # COSE, SUIT and what goes with them
        assert diagnose(encode(Tag(tag, [None]))) == f"<< {tag}([null]) >>"
    assert diagnose(encode(Tag(19, [None]))) == "h'd381f6'"
    assert diagnose(bytes(100)).endswith("/ 100 bytes /")
    assert diagnose(Tag(18, [None])) == "18([null])"
