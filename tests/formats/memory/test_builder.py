"""Building in any order, held against a dictionary of addresses."""

import tempfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgseal import limits
from imgseal.errors import InputError
from imgseal.formats.memory import builder as builder_module
from imgseal.formats.memory import pages as pages_module
from imgseal.formats.memory.builder import ImageBuilder
from imgseal.formats.memory.store import ByteStore

PIECES = st.lists(st.tuples(st.integers(0, 9000), st.integers(1, 40)), max_size=30)


def content(address: int) -> int:
    return (address * 7 + (address >> 8)) & 0xFF


@pytest.mark.parametrize("steps", [1, 4, 4096])
@pytest.mark.parametrize("in_file", [False, True])
@given(pieces=PIECES)
def test_any_order_gives_the_same_image(pieces: list[tuple[int, int]], steps: int, in_file: bool) -> None:
    with tempfile.TemporaryFile() as file, pytest.MonkeyPatch.context() as patch:
        patch.setattr(builder_module, "_STEPS_BACK", steps)
        builder = ImageBuilder(ByteStore(file) if in_file else None)
        expected: dict[int, int] = {}
        given_bytes = 0
        for address, size in pieces:
            data = bytes(content(a) for a in range(address, address + size))
            builder.add(address, data)
            expected.update(zip(range(address, address + size), data, strict=True))
            given_bytes += size
        image = builder.finish()
        found = {r.address + i: b for r in image.regions for i, b in enumerate(image.read(r.address, r.size))}
    assert found == expected
    ends = [(one.end, other.address) for one, other in zip(image.regions, image.regions[1:], strict=False)]
    assert all(end < start for end, start in ends)  # ordered, and no two touch
    twice = given_bytes - len(expected)
    assert [note.split()[0] for note in image.notes] == ([str(twice)] if twice else [])


@pytest.mark.parametrize("steps", [1, 4096])
def test_overlaps_that_differ_are_refused(steps: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(builder_module, "_STEPS_BACK", steps)
    builder = ImageBuilder(name="two.hex")
    builder.add(0x2000, b"high", line=1)
    builder.add(0x1000, b"abcdefgh", line=2)
    builder.add(0x0FFE, b"..abc", line=4)
    with pytest.raises(InputError) as refused:
        builder.add(0x1004, b"efgX", line=9, bytes_per_line=2)
    error = refused.value
    assert (error.place.file, error.place.line, error.place.address) == ("two.hex", 10, 0x1007)
    assert error.expected == "0x68, as before"
    assert error.found == "0x58"
    assert error.hint is not None


def test_overlaps_that_agree_are_noted_with_the_first_place() -> None:
    builder = ImageBuilder()
    builder.add(0x10, b"abcdefgh", line=1)
    builder.add(0x14, b"efgh", line=7, bytes_per_line=2)
    builder.add(0x10, b"a", line=9)
    assert builder.finish(notes=("before",)).notes == (
        "before",
        "5 bytes are given again with the same value, first at 0x00000014 in line 7",
    )


def test_data_may_not_pass_the_end_of_the_address_space() -> None:
    builder = ImageBuilder(name="far.bin")
    builder.add(0xFFFF_FFFC, b"abcd", line=3)
    with pytest.raises(InputError, match=r"far\.bin:4, address 0xfffffffd: .*32-bit") as refused:
        builder.add(0xFFFF_FFFD, b"abcd", line=4)
    assert refused.value.found == "0x100000001"
    with pytest.raises(InputError):
        ImageBuilder().add(-1, b"a")


@pytest.mark.parametrize("steps", [1, 4096])
def test_an_image_has_a_largest_size(steps: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(builder_module, "IMAGE_BYTES", 17)
    monkeypatch.setattr(builder_module, "_STEPS_BACK", steps)
    builder = ImageBuilder()
    builder.add(100, b"a")
    builder.add(0, bytes(8))
    builder.add(8, bytes(8))
    builder.add(4, bytes(12))  # given again, so not counted
    with pytest.raises(InputError, match="larger than imgseal reads") as refused:
        builder.add(16, b"a", line=5)
    assert refused.value.place.line == 5
    assert refused.value.expected == "at most 17 bytes of data"


@pytest.mark.parametrize("order", [1, -1])
def test_an_image_has_a_largest_number_of_regions(order: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(builder_module, "REGIONS", 100)
    monkeypatch.setattr(builder_module, "_STEPS_BACK", 8)
    good, bad = ImageBuilder(), ImageBuilder()
    for number in range(100)[::order]:
        good.add(2 * number, b"a")
        bad.add(2 * number, b"a")
    assert len(good.finish().regions) == 100

    def one_more() -> None:
        bad.add(1000, b"a")
        bad.finish()

    with pytest.raises(InputError, match="more separate regions"):
        one_more()


def test_a_few_bytes_in_very_many_places_are_refused_before_memory_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(builder_module, "_STEPS_BACK", 1)
    monkeypatch.setattr(pages_module, "_MOST", 10)
    builder = ImageBuilder()
    builder.add(1 << 20, b"a")
    for number in range(11):
        builder.add((40 - number) * 8192, b"a")
    with pytest.raises(InputError, match="more separate regions"):
        builder.add(8192, b"a")


def test_full_pages_share_one_number() -> None:
    # the bound on memory rests on it: 64 MiB shuffled would otherwise hold 9 MiB of bits to the end
    pages = pages_module.Pages(ByteStore())
    for number in range(3):
        for at in range(pages_module.PAGE - 16, -1, -16):
            assert not list(pages.put(number * pages_module.PAGE + at, bytes(16)))
    assert {id(mask) for mask in pages._masks.values()} == {id(pages_module._FULL)}


def test_pages_reach_for_the_largest_image() -> None:
    assert limits.IMAGE_BYTES == pages_module._MOST * pages_module.PAGE
