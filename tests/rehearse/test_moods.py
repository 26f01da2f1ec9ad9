"""What is unreliable reads one way until the next reset, or otherwise at each read: both are played.

With reads that all differ a long record never reads as whole or as erased where flash is programmed byte by byte, and
a driver that leaves out an erase where a block reads blank is never found out.
"""

import collections
from typing import TYPE_CHECKING

import pytest
from demo_update import demo_update
from stages import on_units, pair_of

from imgseal.rehearse.contents import Block, Contents
from imgseal.rehearse.counters import Counters
from imgseal.rehearse.flash import Flash
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.play import rehearse

if TYPE_CHECKING:
    from imgseal.product.model import Memory

LONG = 640


def nor_like(name: str) -> str:
    """The product with flash that is programmed byte by byte, as often as one likes, and reports nothing."""
    return on_units(name, 1).replace("program_once = true\n", "")


def test_a_long_record_reads_as_whole_or_as_erased_until_the_next_reset() -> None:
    update = pair_of(nor_like("two run slots"))
    memory = update.product.memories["internal"]
    held = bytes(range(256)) * (memory.erase_block // 256)
    seen: collections.Counter[str] = collections.Counter()
    for seed in range(300):
        blocks = Contents({("internal", 0): Block(held, 0, 0, True)})
        flash = Flash(update.product, blocks, Noise(f"moods {seed}"))
        reads = [flash.read("internal", 0, LONG) for _ in range(3)]
        for read in reads:
            seen["whole"] += read == held[:LONG]
            seen["erased"] += read == b"\xff" * LONG
        seen["alike"] += len(set(reads)) == 1
        flash.noise.reset()
        seen["otherwise after a reset"] += flash.read("internal", 0, LONG) != reads[0]
    assert all(seen[what] > 30 for what in ("whole", "erased", "alike", "otherwise after a reset")), seen
    assert 50 < seen["alike"] < 250


def test_a_torn_counter_has_moods_too() -> None:
    of = pair_of(nor_like("two run slots")).product
    alike = 0
    values = set()
    for seed in range(100):
        counters = Counters({1: 3}, frozenset({(1, 4)}), Noise(f"counter {seed}"))
        reads = {counters.read(1) for _ in range(12)}
        alike += len(reads) == 1
        values |= reads
    assert of.components["app"].number == 1
    assert values == {3, 4}
    assert 30 < alike < 70


ORDINARY_ERASE = Flash.erase


def skips_what_reads_blank(flash: Flash, memory: str, at: int) -> None:
    part: Memory = flash.memory(memory)
    if flash.read(memory, at, part.erase_block).count(part.fill) != part.erase_block:
        ORDINARY_ERASE(flash, memory, at)


@pytest.mark.parametrize("name", ["staged inside, kept", "two cores", "recovery image"])
def test_an_erase_left_out_where_a_block_reads_blank_is_found_after_one_cut(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    update = pair_of(nor_like(name))
    assert rehearse(update.stage, update.package, pairs=100, seed="1").violation is None
    monkeypatch.setattr(Flash, "erase", skips_what_reads_blank)
    found = rehearse(update.stage, update.package, pairs=0, seed="1").violation
    assert found is not None
    assert len(found.token.cuts) == 1


def test_the_demos_rehearsal_finds_it_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    stage, package = demo_update(("program_once = true ", ""))
    monkeypatch.setattr(Flash, "erase", skips_what_reads_blank)
    found = rehearse(stage, package, pairs=0, seed="1").violation
    assert found is not None
    assert len(found.token.cuts) == 1
