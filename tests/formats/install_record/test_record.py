"""Install records: the page's byte table against the code, and one meaning one encoding."""

import hashlib
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgseal.formats.install_record.layout import FIELDS, HEAD, MEMBER, REFUSED
from imgseal.formats.install_record.record import PHASES, Member, Record, decode, encode, first_record
from imgseal.formats.install_record.room import HEAD_BYTES, MEMBER_BYTES, place_bytes, record_bytes

PAGE = (Path(__file__).parents[3] / "docs" / "format" / "install-record.md").read_text()
NUMBERS = (1, 2, 7)
U32 = st.integers(0, 0xFFFF_FFFF)
DIGEST = st.binary(min_size=32, max_size=32).filter(any)
SETS = st.dictionaries(st.sampled_from(NUMBERS), st.builds(Member, st.integers(0, 1), DIGEST))
RECORDS = st.builds(
    Record, st.sampled_from(sorted(PHASES)), U32, U32, st.integers(0, 0xFFFF), st.integers(0, 255), st.integers(0, 255), U32, U32,
    U32, U32, st.none() | DIGEST, U32, st.none() | DIGEST, st.booleans(), st.booleans(),
    st.lists(DIGEST, max_size=REFUSED).map(tuple), SETS, SETS, st.booleans(),
)  # fmt: skip


def test_the_page_has_the_same_table() -> None:
    rows = re.findall(r"^\| (\d+) \| (\d+) \| `(\w+)` \| (.+) \|$", PAGE, re.MULTILINE)
    assert rows == [(str(f.offset), str(f.size), f.name, f.meaning) for f in FIELDS]
    assert HEAD.size == HEAD_BYTES == 240
    assert MEMBER.size == MEMBER_BYTES == 36
    for number, name in PHASES.items():
        assert f"| {number} {name} |" in PAGE


def test_sizes_of_the_page() -> None:
    """240 bytes, the members of two sets, zeros to a multiple of 32, and the check; three of them a place."""
    assert [record_bytes(n) for n in (1, 2, 3, 4, 32)] == [352, 416, 512, 576, 2592]
    assert place_bytes(3, 4096, 8) == 4096
    assert place_bytes(3, 1024, 8) == 2048
    assert place_bytes(32, 2048, 8) == 8192


@given(RECORDS)
def test_round_trip(record: Record) -> None:
    data = encode(record, NUMBERS)
    assert decode(data, NUMBERS) == record
    assert encode(record, NUMBERS) == data
    assert len(data) == record_bytes(3)


@given(RECORDS, st.integers(0, 8 * 512 - 1))
def test_a_changed_bit_is_no_record(record: Record, bit: int) -> None:
    raw = bytearray(encode(record, NUMBERS))
    raw[bit // 8] ^= 1 << bit % 8
    assert decode(bytes(raw), NUMBERS) is None


def signed(raw: bytes) -> bytes:
    return raw[:-32] + hashlib.sha256(raw[:-32]).digest()


AT = {field.name: field.offset for field in FIELDS}


@pytest.mark.parametrize(
    ("offset", "value"),
    [(AT["magic"], 0), (AT["format"], 2), (AT["format"] + 1, 1), (AT["phase"], 0), (AT["phase"], 8), (AT["member_count"], 2),
     (AT["member_count"], 4), (AT["refused_count"], 5), (AT["refused_count"], 1), (AT["trial"], 2), (AT["recovery"], 2),
     (AT["unraised"], 2), (AT["refused"], 1), (240, 2), (241, 2), (242, 1), (276, 7), (280, 1), (457, 1)],
)  # fmt: skip
def test_one_meaning_has_one_encoding(offset: int, value: int) -> None:
    """Each byte that has to be what it is, changed, with a check that holds."""
    record = first_record({1: Member(0, b"\1" * 32)}, 5, None)
    raw = bytearray(encode(record, NUMBERS))
    assert decode(signed(bytes(raw)), NUMBERS) == record
    assert raw[offset] != value
    raw[offset] = value
    if (offset, value) == (AT["refused_count"], 1):  # a digest of zeros is one like any other
        assert decode(signed(bytes(raw)), NUMBERS) == record._replace(refused=(bytes(32),))
    else:
        assert decode(signed(bytes(raw)), NUMBERS) is None


def test_other_components_are_another_product() -> None:
    data = encode(first_record({}, 0, None), NUMBERS)
    assert decode(data, (1, 2, 8)) is None
    assert decode(data, (1, 2)) is None
    assert decode(data[:-1], NUMBERS) is None
    assert decode(b"\xff" * len(data), NUMBERS) is None
