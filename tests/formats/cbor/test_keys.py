"""Keys of maps: what Python would take for one key although CBOR has two, and one encoding for whatever is accepted."""

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from odd_keys import ODD

from imgseal.formats.cbor.strict import ARRAY, BSTR, MAP, CborError, Tag, bstr_head, decode, encode

TAGS = frozenset({18, 107})
GOOD = {"integer": b"\x01", "negative": b"\x20", "text": b"\x61a", "identifier": b"\x82\x41\x01\x40", "empty": b"\x80"}


@pytest.mark.parametrize("name", ODD)
def test_keys_of_other_kinds_are_refused(name: str) -> None:
    """Alone, beside a 1 that Python would take for the same key, inside a list, as a value's key, and behind a tag."""
    key = ODD[name]
    beside = b"\xa2" + b"".join(sorted((b"\x01\x00", key + b"\x00")))
    for data in (b"\xa1" + key + b"\x00", beside, b"\x81\xa1" + key + b"\x00", b"\xa1\x01\xa1" + key + b"\x00", b"\xd2\xa1" + key + b"\x00"):  # fmt: skip
        for sorted_maps in (True, False):
            with pytest.raises(CborError, match=r"key of a map|floating point|simple value"):
                decode(data, "map", sorted_maps=sorted_maps, tags=TAGS)


@pytest.mark.parametrize("name", GOOD)
def test_keys_that_formats_use(name: str) -> None:
    data = b"\xa1" + GOOD[name] + b"\xf5"
    assert encode(decode(data, "map")) == data


def test_a_cut_key_says_where_it_ends() -> None:
    with pytest.raises(CborError, match="behind the end"):
        decode(b"\xa1\x81\x58\x32\x30", "map")


def _head(major: int, argument: int) -> bytes:
    return bytes([bstr_head(argument)[0] & 31 | major << 5]) + bstr_head(argument)[1:]


def _map(entries: list[tuple[bytes, bytes]]) -> bytes:
    return _head(MAP, len(entries)) + b"".join(key + value for key, value in sorted(dict(entries).items()))


LEAVES = st.one_of(
    st.sampled_from([b"\xf4", b"\xf5", b"\xf6", *ODD.values(), *GOOD.values()]),
    st.integers(-(2**64), 2**64 - 1).map(encode),
    st.text(max_size=5).map(encode),
)
"""Encoded, so that a map may have keys that one dictionary could not hold."""
ENCODED = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4).map(lambda parts: _head(ARRAY, len(parts)) + b"".join(parts)),
        st.lists(st.tuples(inner, inner), max_size=4, unique_by=lambda entry: entry[0]).map(_map),
        inner.map(lambda data: bstr_head(len(data)) + data),
        inner.map(lambda data: b"\xd2" + data),
    ),
    max_leaves=12,
)


@given(ENCODED)
def test_what_is_decoded_encodes_to_the_same_bytes(data: bytes) -> None:
    """At every level, those wrapped in byte strings too."""
    try:
        value = decode(data, "generated", tags=TAGS)
    except CborError:
        return
    assert encode(value) == data
    for inner in _strings(value):
        try:
            again = decode(inner, "inside", tags=TAGS)
        except CborError:
            continue
        assert encode(again) == inner


def _strings(value: object) -> Iterator[bytes]:
    if isinstance(value, bytes):
        yield value
    elif isinstance(value, Tag):
        yield from _strings(value.value)
    elif isinstance(value, list):
        for part in value:
            yield from _strings(part)
    elif isinstance(value, dict):
        for key, part in value.items():
            yield from _strings(list(key) if isinstance(key, tuple) else key)
            yield from _strings(part)


def test_the_generator_makes_odd_keys() -> None:
    """What it is for: a map with both 1 and true, which a dictionary cannot hold."""
    assert _map([(b"\xf5", b"\x02"), (b"\x01", b"\x03")]) == bytes.fromhex("a20103f502")
    assert _head(BSTR, 24) == bstr_head(24)


@pytest.mark.parametrize(
    ("tags", "expected"),
    [(frozenset(), "no tag"), (frozenset({18}), "one of 18"), (frozenset({98, 18}), "one of 18, 98")],
)
def test_a_tag_that_does_not_belong_is_told_from_those_that_do(tags: frozenset[int], expected: str) -> None:
    with pytest.raises(CborError) as caught:
        decode(b"\xc1\x01", "x", tags=tags)
    assert (caught.value.expected, caught.value.found) == (expected, "1")
