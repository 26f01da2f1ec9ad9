"""What memories may be: write units of any size, as long as what lies behind each other begins with one."""

import pytest

from imgseal.demo.scenario import product_text
from imgseal.errors import UsageError
from imgseal.product.read_toml import read

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
        ("radio", TEXT.replace(NOR, 'erase_block = "64 KiB"\nwrite_unit = 2048\npage = 2048')),
    ):
        assert changed != TEXT
        key, expected = refused(changed)
        assert key == f"component.{memory}.header_block"
        assert "a multiple of" in expected
