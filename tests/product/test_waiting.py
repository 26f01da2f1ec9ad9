"""Where packages and deliveries wait, and how much room is left there; docs/format/product-file.md."""

import pytest
from stages import slot_text, text_of

from imgseal.errors import UsageError
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.product.waiting import room_for_delivery, room_for_package

NAME = "data in the NOR"
BLOCK = 4096


def with_slots(*slots: str, delivery: str = "") -> Product:
    text = text_of(NAME) + "".join(slots)
    return read(text + (f'\n[delivery]\nslot = "{delivery}"\n' if delivery else ""), name="imgseal.toml")


def free() -> int:
    """Where the slots of the NOR end."""
    of = with_slots()
    assert of.memories["nor"].erase_block == BLOCK
    return max(slot.at + slot.size for slot in of.slots.values() if slot.memory == "nor")


@pytest.mark.parametrize("unit", [1, 8, 16, 32, 256])
@pytest.mark.parametrize("block", [512, 2048, 4096])
def test_behind_a_package_each_block_has_an_entry(unit: int, block: int) -> None:
    """And there is one more, that of a log which begins again; no block is spent that the entries do not need."""
    of = with_slots(slot_text("kept", free(), 2 * BLOCK, "nor", "package"))
    memory = of.memories["nor"]._replace(erase_block=block, write_unit=unit)
    for blocks in range(2, 700):
        slot = of.slots["kept"]._replace(size=blocks * block)
        room = room_for_package(of._replace(memories={"nor": memory}, slots={"kept": slot}))
        assert room is not None
        assert room % block == 0
        log = (slot.size - room) // block
        places = block // max(16, unit)
        assert log * block // max(16, unit) >= blocks + 1 > (log - 1) * places, (blocks, log)


def test_a_delivery_waits_where_the_product_file_says() -> None:
    at = free()
    assert room_for_delivery(with_slots()) is None
    assert room_for_package(with_slots()) is None
    own = with_slots(slot_text("waits", at, 2 * BLOCK, "nor"), delivery="waits")
    assert room_for_delivery(own) == ("waits", 2 * BLOCK)
    assert room_for_package(own) is None
    kept = with_slots(slot_text("kept", at, 3 * BLOCK, "nor", "package"))
    assert room_for_delivery(kept) == ("kept", 2 * BLOCK)
    assert room_for_package(kept) == 2 * BLOCK


def test_how_many_steps() -> None:
    """As the file says, with a slot or without; 12 where it says nothing."""
    at = free()
    waits = slot_text("waits", at, 2 * BLOCK, "nor")
    assert with_slots().delivery_steps == with_slots(waits, delivery="waits").delivery_steps == 12
    for steps in (1, 63):
        of = with_slots(f"\n[delivery]\nsteps = {steps}\n")
        assert (of.delivery_steps, of.delivery_slot) == (steps, None)
    for steps in (0, 64):
        with pytest.raises(UsageError) as refused:
            with_slots(f"\n[delivery]\nsteps = {steps}\n")
        assert refused.value.place.key == "delivery.steps"


def test_it_waits_in_one_place() -> None:
    at = free()
    slots = slot_text("kept", at, 2 * BLOCK, "nor", "package"), slot_text("waits", at + 2 * BLOCK, BLOCK, "nor")
    with pytest.raises(UsageError) as refused:
        with_slots(*slots, delivery="waits")
    error = refused.value
    assert (error.place.key, error.found) == ("delivery.slot", "waits")
    assert "slot.kept" in str(error.expected)
