"""Devices whose storage fails, made for every small product: blocks that take no programming and say nothing."""

from collections.abc import Iterator

from stages import pair

from imgseal.memory.view import ByteView
from imgseal.product.model import Product
from imgseal.product.record_room import place_bytes
from imgseal.rehearse.explore import Violation
from imgseal.rehearse.life import Programs
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import Stage


def _place_blocks(of: Product) -> tuple[str, int, int, int]:
    slot = of.slot_holding("records")
    assert slot is not None
    memory = of.memories[slot.memory]
    block = memory.erase_block
    size = place_bytes(len(of.components), block, memory.write_unit)
    return slot.memory, slot.at // block, size // block, slot.size // size


def worn_places(of: Product, *places: int) -> frozenset[tuple[str, int]]:
    """The erase blocks of places of the records slot."""
    memory, first, count, _ = _place_blocks(of)
    return frozenset((memory, first + place * count + number) for place in places for number in range(count))


def one_place_worn(name: str) -> Iterator[tuple[Stage, ByteView]]:
    """The update of a small product, once for each place of the records slot that takes nothing."""
    update = pair(name)
    for place in range(_place_blocks(update.product)[3]):
        facts = update.stage.facts._replace(worn=worn_places(update.product, place))
        yield update.stage._replace(facts=facts), update.package


def violated(
    cases: Iterator[tuple[Stage, ByteView]], programs: Programs | None = None, *, pairs: int = 0, seed: str = "1"
) -> Violation | None:
    """Rehearse each case, every single cut; return the first violation."""
    for stage, package in cases:
        found = rehearse(stage, package, pairs=pairs, seed=seed, programs=programs).violation
        if found is not None:
            return found
    return None
