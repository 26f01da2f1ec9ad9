"""Address ranges, held against sets of addresses (the definition of a range)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgseal.errors import InputError
from imgseal.formats.memory.spans import ADDRESS_END, Region, between, contains, overlap, subtract

SMALL = st.builds(Region, st.integers(0, 12), st.integers(0, 8))


def addresses(region: Region | None) -> set[int]:
    return set(range(region.address, region.end)) if region is not None else set()


@given(SMALL, SMALL)
def test_ranges_behave_as_sets_of_addresses(one: Region, other: Region) -> None:
    shared = overlap(one, other)
    assert addresses(shared) == addresses(one) & addresses(other)
    assert (shared is None) == (not addresses(one) & addresses(other))
    left = subtract(one, other)
    assert set().union(*(addresses(part) for part in left)) == addresses(one) - addresses(other)
    assert all(part.size for part in left)
    if other.size:
        assert contains(one, other) == (addresses(other) <= addresses(one))


def test_a_range_may_end_at_the_end_of_the_address_space() -> None:
    last = between(0xFFFF_FFFF, ADDRESS_END)
    assert (last.address, last.size, last.end) == (0xFFFF_FFFF, 1, 0x1_0000_0000)
    assert subtract(between(0, ADDRESS_END), last) == (Region(0, 0xFFFF_FFFF),)


@pytest.mark.parametrize(("start", "end"), [(-1, 4), (5, 4), (0, ADDRESS_END + 1)])
def test_what_is_no_range_is_refused(start: int, end: int) -> None:
    with pytest.raises(InputError, match="no range of 32-bit addresses") as refused:
        between(start, end)
    assert refused.value.found == f"{start:#x}..{end:#x}"
