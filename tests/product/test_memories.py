"""What memories may be: write units of any size, as long as what lies behind each other begins with one."""

import pytest

from imgseal.errors import UsageError
from imgseal.product.read_toml import read
from imgseal.product.starter import product_text

TEXT = product_text()
UNIT = "write_unit = 8\npage = 256"
NOR = 'erase_block = "64 KiB"\npage = 256'


def refused(text: str) -> tuple[str | None, str]:
    with pytest.raises(UsageError) as caught:
        read(text, name="imgseal.toml")
    return caught.value.place.key, str(caught.value.expected)


@pytest.mark.parametrize("unit", [1, 32, 64, 128, 256])
def test_write_units(unit: int) -> None:
    assert UNIT in TEXT
    of = read(TEXT.replace(UNIT, f"write_unit = {unit}\npage = 256"), name="imgseal.toml")
    assert of.memories["internal"].write_unit == unit


def test_a_payload_begins_with_a_unit() -> None:
    """The header block in front of it is whole units: of its run slots, and of staging and keep slots."""
    for memory, changed in (
        (
            "motor",
            TEXT.replace(UNIT, "write_unit = 256\npage = 256").replace(
                "[component.motor]", "[component.motor]\nheader_block = 1152"
            ),
        ),
        (
            "phrases",
            TEXT.replace(NOR, 'erase_block = "64 KiB"\nwrite_unit = 256\npage = 256').replace(
                "[component.phrases]", "[component.phrases]\nheader_block = 640"
            ),
        ),
    ):
        assert changed != TEXT
        key, expected = refused(changed)
        assert key == f"component.{memory}.header_block"
        assert "a multiple of" in expected


@pytest.mark.parametrize(("text", "value"), [("0xFF", 0xFF), ("0", 0), ('"unreadable"', None)])
def test_erased(text: str, value: int | None) -> None:
    """The default is 0xFF; the fill of a unit's end is what can be read."""
    of = read(TEXT.replace(UNIT, f"{UNIT}\nerased = {text}"), name="imgseal.toml")
    assert of.memories["internal"].erased == value
    assert of.memories["internal"].fill == (0xFF if value is None else value)
    assert of.memories["nor"].erased == 0xFF


@pytest.mark.parametrize("text", ["1", "254", "0x100", "-1", "true", "false", '"0xFF"', "255.0", '""'])
def test_erased_is_one_of_three(text: str) -> None:
    key, expected = refused(TEXT.replace(UNIT, f"{UNIT}\nerased = {text}"))
    assert key == "memory.internal.erased"
    assert expected == '0xFF, 0x00 or "unreadable"'


def test_banks_that_swap_are_refused_by_name() -> None:
    read(TEXT.replace(UNIT, f"{UNIT}\nswaps = false"), name="imgseal.toml")
    with pytest.raises(UsageError) as caught:
        read(TEXT.replace(UNIT, f"{UNIT}\nswaps = true"), name="imgseal.toml")
    error = caught.value
    assert error.place.key == "memory.internal.swaps"
    assert "change places" in str(error)
    assert error.hint is not None
    assert "a run slot" in error.hint
