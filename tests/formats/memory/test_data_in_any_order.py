"""Data in any order, against a dictionary of bytes: what is there first stays, and each byte given twice is said with both values."""

import random

import pytest

from imgseal.formats.memory.pages import PAGE, Pages, ScatteredError
from imgseal.formats.memory.store import ByteStore


class Plain:
    def __init__(self) -> None:
        self.bytes: dict[int, int] = {}

    def put(self, address: int, data: bytes) -> list[tuple[int, int, int]]:
        twice = [
            (address + n, self.bytes[address + n], value) for n, value in enumerate(data) if address + n in self.bytes
        ]
        for number, value in enumerate(data):
            self.bytes.setdefault(address + number, value)
        return twice


def held(pages: Pages, store: ByteStore) -> dict[int, int]:
    out: dict[int, int] = {}
    before = -1
    for extent in pages.extents():
        assert extent.size > 0
        assert extent.address > before
        before = extent.address + extent.size - 1
        out.update({extent.address + n: value for n, value in enumerate(store.read(extent.offset, extent.size))})
    return out


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_put_in_whatever_order(seed: int) -> None:
    rng = random.Random(seed)
    store, plain = ByteStore(), Plain()
    pages = Pages(store)
    for _ in range(60):
        size = rng.choice([1, 2, 16, 255, PAGE - 1, PAGE, PAGE + 1, 2 * PAGE + 5])
        address = rng.choice([rng.randrange(6 * PAGE), PAGE * rng.randrange(6), PAGE * rng.randrange(1, 6) - 1])
        data = rng.randbytes(size)
        said = [(at + n, old[n], new[n]) for at, old, new in pages.put(address, data) for n in range(len(new))]
        assert said == plain.put(address, data)
    assert held(pages, store) == plain.bytes


def test_more_places_than_the_largest_image_has(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgseal.formats.memory.pages._MOST", 3)
    pages = Pages(ByteStore())
    for number in range(3):
        assert list(pages.put(number * 10 * PAGE, b"x")) == []
    assert list(pages.put(20 * PAGE + 1, b"y")) == []
    with pytest.raises(ScatteredError):
        list(pages.put(50 * PAGE, b"z"))
