"""Which of the forms of an image travels, and which are tried; docs/format/delivery.md says both."""

import pytest

from imgseal.formats.delta.layout import IMAGE_BYTES, Frame
from imgseal.formats.suit.component import OurComponent
from imgseal.make import deliver
from imgseal.make.deliver import Wanted, smallest
from imgseal.make.delta.encode import Patch
from imgseal.make.delta.frame import Side

PART = OurComponent(1, 0, header=False)
NEW = bytes(1600)


class Encoder:
    """Makes patches and compressed images of so many bytes, and notes what it was asked for."""

    def __init__(self, patch: int, compressed: int) -> None:
        self.sizes, self.asked = {True: patch, False: compressed}, list[str]()

    def __call__(self, old: bytes, new: bytes, frame: Frame | None) -> Patch:
        assert new
        assert frame is None
        self.asked.append("patch" if old else "compressed")
        return Patch(bytes(self.sizes[bool(old)]), 0, [])


def side(data: bytes) -> Side:
    return Side(data, None, code=False)


@pytest.mark.parametrize(
    ("patch", "compressed", "form", "asked"),
    [
        (99, 10, "patch", ["patch"]),
        (100, 101, "patch", ["patch", "compressed"]),
        (100, 100, "patch", ["patch", "compressed"]),
        (100, 99, "compressed", ["patch", "compressed"]),
        (1600, 1600, "plain", ["patch", "compressed"]),
        (1600, 10, "compressed", ["patch", "compressed"]),
        (1599, 1700, "patch", ["patch", "compressed"]),
    ],
)
def test_the_smallest_travels(
    patch: int, compressed: int, form: str, asked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a patch takes less than a sixteenth of the image, no compressed one is tried."""
    encoder = Encoder(patch, compressed)
    monkeypatch.setattr(deliver, "encode", encoder)
    made = smallest(Wanted(PART, side(NEW), side(b"old"), remade=True))
    assert (made.step.form, encoder.asked) == (form, asked)
    assert (made.step.base is not None) == (form == "patch")
    assert (
        made.step.size == len(made.data) == min(1600, {"patch": patch, "compressed": compressed, "plain": 1600}[form])
    )


@pytest.mark.parametrize(
    ("new", "old", "remade", "asked"),
    [
        (IMAGE_BYTES, IMAGE_BYTES, True, ["patch"]),
        (IMAGE_BYTES + 1, 9, True, []),
        (1600, IMAGE_BYTES + 1, True, ["compressed"]),
        (1600, IMAGE_BYTES, True, ["patch"]),
        (1600, 1, True, ["patch"]),
        (1600, 0, True, ["compressed"]),
        (1600, None, True, ["compressed"]),
        (1600, 9, False, []),
    ],
)
def test_what_is_tried(
    new: int, old: int | None, remade: bool, asked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Images of patches have at most 16 MiB, old ones at least a byte; without a second place nothing is made."""
    encoder = Encoder(9, 9)
    monkeypatch.setattr(deliver, "encode", encoder)
    made = smallest(Wanted(PART, side(bytes(new)), None if old is None else side(bytes(old)), remade))
    assert encoder.asked == asked
    assert made.step.form == (asked[0] if asked else "plain")
