"""Patches: what is written is read again, by a reader that shares declarations with the writer and no code."""

import json
import random
from itertools import islice
from pathlib import Path

import pytest
from make_vectors import TARGET, document, example
from small_pairs import RAM, call, functions, link, pairs

from imgseal.check.patch import Spoiled, apply_patch, image_size
from imgseal.formats.delta.layout import IMAGE_BYTES, PREAMBLE, Frame
from imgseal.make.delta.encode import encode
from imgseal.make.delta.fields import call_target

ROWS = json.loads(TARGET.read_text())["patches"]
MICROBIT = Path("/usr/share/firmware-microbit-micropython/firmware.hex")


@pytest.mark.parametrize("seed", range(6))
def test_generated_pairs_come_back(seed: int) -> None:
    for pair in islice(pairs(seed), 40):
        patch = encode(pair.old, pair.new, pair.frame)
        assert apply_patch(patch.data, pair.old, len(pair.new)) == pair.new
        assert image_size(patch.data) == len(pair.new)
        at = 0
        for token, _ in patch.spent:
            assert token.at == at
            at += token.length
        assert at == len(pair.new)


def test_what_is_published_is_what_is_made() -> None:
    """The same inputs give the same bytes; a change of these is a change of the format, or of the writer."""
    assert json.loads(json.dumps(document()))["patches"] == ROWS


@pytest.mark.parametrize("row", ROWS, ids=[row["name"] for row in ROWS])
def test_published(row: dict[str, str]) -> None:
    made = apply_patch(bytes.fromhex(row["patch"]), bytes.fromhex(row["old"]), int(row["size"]))
    if "new" in row:
        assert made == bytes.fromhex(row["new"])
    else:
        assert isinstance(made, Spoiled)
        assert made.why == row["refused"]


def test_every_way_to_refuse_is_published() -> None:
    source = (Path(__file__).parents[2] / "imgseal/check/patch.py").read_text()
    reasons = {line.split('_NoPatch("')[1].split('")')[0] for line in source.splitlines() if '_NoPatch("' in line}
    rare = {
        # shown by mutants: tests/device_code/test_delta_in_c.py
        "the shift table has more entries than the device keeps", "the shift table goes beyond the last address",
        "a copy begins in front of the image", "a copy is longer than what is missing of the image",
        "a copy begins at an entry that the shift table does not have", "a number is none that the coder writes",
    }  # fmt: skip
    assert reasons - rare == {row["refused"] for row in ROWS if "refused" in row} - rare


def test_a_call_that_moved_costs_no_byte_of_it() -> None:
    """A program that grows at its begin: every call over that place is another, and no field is told."""
    draw = random.Random(5)
    before = functions(draw, 300)
    after = [(before[0][0], [0xBF00] * 10 + before[0][1]), *before[1:]]
    old, new = link(before, 0x1_0000), link(after, 0x1_0000)
    frame = Frame(0x1_0000, 0x1_0000, RAM, 0x1_0000)
    told = encode(old, new, frame)
    assert apply_patch(told.data, old, len(new)) == new
    assert len(told.data) < 80
    assert len(encode(old, new, None).data) > 5 * len(told.data)


def test_a_word_of_ram_moves_with_the_table() -> None:
    draw = random.Random(6)
    before = functions(draw, 200)
    after = [
        (
            name,
            [
                ("word", part[1] + 0x40) if isinstance(part, tuple) and isinstance(part[1], int) else part
                for part in parts
            ],
        )
        for name, parts in before
    ]
    old, new = link(before, 0x1_0000), link(after, 0x1_0000)
    told = encode(old, new, Frame(0x1_0000, 0x1_0000, RAM, 0x1_0000))
    assert told.entries == 1
    assert len(told.data) < 80
    assert apply_patch(told.data, old, len(new)) == new


@pytest.mark.parametrize("entries", [64, 128, 256])
def test_the_table_keeps_to_what_the_device_keeps(entries: int) -> None:
    draw = random.Random(7)
    before = functions(draw, 900)
    after = [(name, [*parts, *[0xBF00] * draw.choice((0, 2))]) for name, parts in before]
    draw.shuffle(after)
    old, new = link(before, 0x1_0000), link(after, 0x1_0000)
    patch = encode(old, new, Frame(0x1_0000, 0x1_0000, RAM, 0x1_0000), entries)
    assert entries // 4 < patch.entries <= entries
    assert apply_patch(patch.data, old, len(new), entries) == new
    made = apply_patch(patch.data, old, len(new), patch.entries - 1)
    assert isinstance(made, Spoiled)
    assert made.why == "the shift table has more entries than the device keeps"


def test_what_does_not_compress_is_stored() -> None:
    draw = random.Random(8)
    noise = draw.randbytes(50_000)
    patch = encode(b"", noise, None)
    assert len(patch.data) < 1.005 * len(noise)
    assert apply_patch(patch.data, b"", len(noise)) == noise
    text = b"vent " * 4000
    assert len(encode(b"", text, None).data) < 60
    mixed = encode(text, text[:7000] + noise[:9000] + text, None)
    assert len(mixed.data) < 9400
    assert apply_patch(mixed.data, text, 36_000) == text[:7000] + noise[:9000] + text


def test_the_same_shift_is_found_again_behind_a_change() -> None:
    """In images so large that anchors are sparse: each stretch behind a change lies where the one in front of it did."""
    draw = random.Random(9)
    old = draw.randbytes(1_200_000)
    new = bytearray(old)
    for at in (200_000, 500_000, 900_000):
        new[at : at + 3000] = draw.randbytes(3000)
    assert len(encode(old, bytes(new), None).data) < 9300


def test_larger_images_are_refused() -> None:
    patch = encode(b"", b"vent", None).data
    for old, size in ((bytes(IMAGE_BYTES + 1), 4), (b"", IMAGE_BYTES + 1)):
        made = apply_patch(patch, old, size)
        assert isinstance(made, Spoiled)
    assert PREAMBLE == {1: 12, 2: 4}


def test_calls_by_the_manual() -> None:
    """Two ways to write a call, and one to read it, for targets all over what a call reaches."""
    draw = random.Random(10)
    for _ in range(2000):
        at = 0x200_0000 + 2 * draw.randrange(1 << 23)
        target = at + 4 + 2 * draw.randrange(-(1 << 23), 1 << 23)
        code = call(at, target)
        assert call_target(int.from_bytes(code[:2], "little"), int.from_bytes(code[2:], "little"), at) == target


def test_real_firmware_comes_back() -> None:
    """MicroPython for Cortex-M0, whole and after an edit that nobody linked again."""
    from imgseal.formats.source import read

    with MICROBIT.open("rb") as stream:
        image = read(stream, name="firmware.hex", after_end="ignore")
    region = image.regions[0]
    old = image.read(region.address, min(region.size, 60_000))
    frame = Frame(region.address & ~0xFF, region.address & ~0xFF, RAM, 0x4000)
    new = old[:9000] + old[9020:30_000] + bytes(24) + old[30_000:]
    for before in (b"", old):
        patch = encode(before, new, frame)
        assert apply_patch(patch.data, before, len(new)) == new
        assert len(patch.data) < (0.75 * len(new) if not before else 6000)


def test_the_example_of_the_page() -> None:
    old, new, frame = example()
    page = (Path(__file__).parents[2] / "docs/format/delta.md").read_text()
    for each in (old, new, encode(old, new, frame).data):
        assert each.hex(" ") in " ".join(page.split()), each.hex(" ")
