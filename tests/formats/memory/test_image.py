"""Memory images: what they hold, cut and fill. The rules are the docstrings'; intelhex is the other reference."""

import pytest

from imgseal.errors import InputError
from imgseal.formats.memory.builder import ImageBuilder
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.spans import Region


def image(*pieces: tuple[int, bytes], start_address: int | None = None) -> MemoryImage:
    builder = ImageBuilder()
    for address, data in pieces:
        builder.add(address, data)
    return builder.finish(start_address=start_address)


TWO = image((0x100, b"abcd"), (0x110, b"efgh"), start_address=0x101)


def test_touching_pieces_are_one_region_in_any_order() -> None:
    assert image((4, b"ef"), (0, b"abcd"), (6, b"g")).regions == (Region(0, 7),)
    assert image((4, b"ef"), (0, b"abcd")).read(2, 3) == b"cde"


def test_what_an_image_says_of_itself() -> None:
    assert (TWO.lowest, TWO.end, TWO.size, TWO.start_address, TWO.notes) == (0x100, 0x114, 8, 0x101, ())
    assert TWO.regions == (Region(0x100, 4), Region(0x110, 4))
    assert repr(TWO) == "<MemoryImage 0x00000100..0x00000104, 0x00000110..0x00000114>"


def test_an_image_cannot_be_changed_from_outside() -> None:
    for member in ("regions", "notes", "start_address", "lowest", "end", "size"):
        with pytest.raises(AttributeError):
            setattr(TWO, member, ())


@pytest.mark.parametrize(("address", "size", "first_missing"), [(0x102, 3, 0x104), (0xFF, 2, 0xFF), (0x114, 1, 0x114)])
def test_reading_what_is_not_there_names_the_first_missing_address(address: int, size: int, first_missing: int) -> None:
    with pytest.raises(InputError, match="no data there") as refused:
        TWO.read(address, size)
    assert refused.value.place.address == first_missing


def test_chunks_are_bounded_and_complete() -> None:
    assert list(TWO.chunks(Region(0x100, 4), 3)) == [b"abc", b"d"]
    assert list(TWO.chunks(Region(0x111, 2))) == [b"fg"]


def test_crop_and_without_share_out_the_image() -> None:
    assert TWO.crop(0x102, 0x112) == image((0x102, b"cd"), (0x110, b"ef"), start_address=0x101)
    assert TWO.without(0x102, 0x112) == image((0x100, b"ab"), (0x112, b"gh"), start_address=0x101)
    assert TWO.crop(0x104, 0x110).regions == ()
    assert TWO.without(0, 1 << 32).size == 0


def test_an_empty_image_has_no_lowest_address() -> None:
    with pytest.raises(InputError, match="holds no data"):
        _ = TWO.crop(0, 1).lowest


def test_filled_streams_gaps_without_making_them() -> None:
    assert b"".join(TWO.filled(0xFE, 0x113)) == b"\xff\xffabcd" + b"\xff" * 12 + b"efg"
    assert b"".join(TWO.filled(0x103, 0x111, fill=0)) == b"d" + bytes(12) + b"e"
    far = image((0, b"a"), (0xFFFF_FFFF, b"z"))
    assert max(len(next(iter(far.filled(1, 1 << 32)))), 1) == 1 << 20  # 4 GiB would not fit: pieces are made on demand


def test_equality_is_of_content() -> None:
    assert image((0, b"ab"), (2, b"cd")) == MemoryImage.from_bytes(0, b"abcd")
    assert MemoryImage.from_bytes(0, b"abcd") != MemoryImage.from_bytes(0, b"abce")
    assert MemoryImage.from_bytes(0, b"abcd") != MemoryImage.from_bytes(1, b"abcd")
    assert MemoryImage.from_bytes(0, b"abcd") != MemoryImage.from_bytes(0, b"abcd", start_address=0)
    assert MemoryImage.from_bytes(0, b"abcd") != b"abcd"
    with pytest.raises(TypeError):
        hash(TWO)


def test_bytes_must_fit_below_the_end() -> None:
    assert MemoryImage.from_bytes(0xFFFF_FFFE, b"ab").end == 1 << 32
    with pytest.raises(InputError, match="32-bit"):
        MemoryImage.from_bytes(0xFFFF_FFFE, b"abc")


def test_intelhex_and_back() -> None:
    other = TWO.to_intelhex()
    assert other.segments() == [(0x100, 0x104), (0x110, 0x114)]
    assert MemoryImage.from_intelhex(other) == TWO


def test_intelhex_with_a_segmented_entry_point() -> None:
    other = MemoryImage.from_bytes(0, b"a").to_intelhex()
    other.start_addr = {"CS": 0x1234, "IP": 0x0005}
    assert MemoryImage.from_intelhex(other).start_address == 0x12345


def test_cuts_of_many_regions_take_no_walk_over_all_of_them() -> None:
    """A walk for each would be four hundred million steps."""
    count = 20_000
    many = image(*((4 * number, b"ab") for number in range(count)))
    assert len(many.regions) == count
    for region in many.regions:
        assert b"".join(many.filled(region.address + 1, region.end)) == b"b"


def test_cuts_agree_with_what_the_bytes_say() -> None:
    """All ranges of a small image, against a dictionary of its bytes."""
    some = image((2, b"ab"), (4, b"cd"), (7, b"e"), (9, b"fgh"))
    known = {region.address + n: byte for region in some.regions for n, byte in enumerate(some.read(*region))}

    def as_known(part: MemoryImage) -> dict[int, int]:
        return {region.address + n: byte for region in part.regions for n, byte in enumerate(part.read(*region))}

    for start in range(14):
        for end in range(start, 14):
            inside = {at: byte for at, byte in known.items() if start <= at < end}
            assert as_known(some.crop(start, end)) == inside
            assert as_known(some.without(start, end)) == {at: b for at, b in known.items() if at not in inside}
