"""The header block that signatures need, and that keeps a vector table behind it aligned. Sources: docs/format/sealed-image.md, product-file.md."""

import pytest
from workshop import product

from imgseal.errors import UsageError
from imgseal.product.signature_room import fitting_block, room_for


@pytest.mark.parametrize(("needed", "block"), [(448, 512), (512, 512), (513, 640), (8192, 8192), (9000, 8192)])
def test_steps_of_128_where_no_table_follows(needed: int, block: int) -> None:
    of = product()
    assert fitting_block(of, of.components["phrases"], needed) == block


def test_a_table_behind_the_block_stays_aligned() -> None:
    """The slot of the motor is aligned to any block, so its table wants a block of a multiple of its own alignment."""
    of = product()
    for needed in range(448, 8193, 64):
        block = fitting_block(of, of.components["motor"], needed)
        assert block >= needed
        assert all((of.slot_base(slot) + block) % 256 == 0 for slot in of.components["motor"].run)


def test_two_signatures_by_p256_take_512_bytes() -> None:
    assert room_for(["P-256", "P-256"]) == 512


@pytest.mark.parametrize("need", [2, 3])
def test_the_block_that_is_needed_is_enough(need: int) -> None:
    """512 bytes have room for two signatures by P-256; three take 576."""
    keys = ", ".join(f'"keys/{name}.pub.pem"' for name in ("images", "b", "c"))

    def edit(text: str) -> str:
        text = text.replace('keys = ["keys/images.pub.pem"]', f"keys = [{keys}]\nneed = {need}")
        return text.replace("[component.phrases]", "[component.phrases]\nheader_block = 512", 1)

    if need == 2:
        assert product(edit).components["phrases"].header_block == 512
        return
    with pytest.raises(UsageError, match="too small for the signatures") as refused:
        product(edit)
    assert "at least 576 bytes" in (refused.value.expected or "")
