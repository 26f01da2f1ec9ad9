"""The simulated flash against a plainer one, by random operations. Rules: the head of imgseal/rehearse/flash.py; common practice, no source."""

import random

import pytest
from workshop import product

from imgseal.product.model import Memory
from imgseal.rehearse.flash import Flash, FlashRuleError, Operation, PowerCutError
from imgseal.rehearse.noise import Noise

OF = product()
MEMORIES = [memory for memory in OF.memories.values() if memory.kind == "flash"]


class Plain:
    """One memory as a list of bytes, and the units that were programmed since their erase."""

    def __init__(self, memory: Memory) -> None:
        self.memory = memory
        self.data = bytearray(b"\xff" * 3 * memory.erase_block)
        self.done: set[int] = set()

    def erase(self, at: int) -> None:
        size = self.memory.erase_block
        self.data[at : at + size] = b"\xff" * size
        self.done -= set(range(at, at + size))

    def program(self, at: int, data: bytes) -> bool:
        """Say whether the part allows it; then it is done."""
        units = range(at, at + len(data), self.memory.write_unit)
        if self.memory.program_once and self.done & set(units):
            return False
        self.done |= set(units)
        for index, byte in enumerate(data, at):
            self.data[index] &= byte
        return True


@pytest.mark.parametrize("memory", MEMORIES, ids=lambda memory: memory.name)
def test_random_operations(memory: Memory) -> None:
    rng = random.Random(f"flash {memory.name}")
    flash, plain = Flash(OF, {}, Noise("flash")), Plain(memory)
    unit, page, block = memory.write_unit, memory.page, memory.erase_block
    refused = done = 0
    for _ in range(1500):
        if rng.random() < 0.01:
            at = rng.randrange(3) * block
            flash.erase(memory.name, at)
            plain.erase(at)
            continue
        first = rng.randrange(3 * block // page) * page + rng.randrange(min(page // unit, 8)) * unit
        room = (page - first % page) // unit
        data = rng.randbytes(rng.randrange(1, min(room, 6) + 1) * unit)
        if plain.program(first, data):
            flash.program(memory.name, first, data)
            done += 1
        else:
            with pytest.raises(FlashRuleError, match="programmed twice"):
                flash.program(memory.name, first, data)
            refused += 1
        at = rng.randrange(3 * block)
        length = rng.randrange(1, min(2 * page, 3 * block - at) + 1)
        assert flash.read(memory.name, at, length) == bytes(plain.data[at : at + length])
    assert flash.read(memory.name, 0, 3 * block) == bytes(plain.data)
    assert done > 100
    assert (refused > 0) == memory.program_once


@pytest.mark.parametrize("memory", MEMORIES, ids=lambda memory: memory.name)
def test_what_no_part_takes(memory: Memory) -> None:
    flash = Flash(OF, {}, Noise("flash"))
    unit, page = memory.write_unit, memory.page
    bad = [(0, b""), (page - unit, bytes(2 * unit))]
    bad += [(1, bytes(unit)), (0, bytes(unit + 1))] if unit > 1 else []
    for at, data in bad:
        with pytest.raises(FlashRuleError, match="no whole units"):
            flash.program(memory.name, at, data)
    with pytest.raises(FlashRuleError, match="middle of a block"):
        flash.erase(memory.name, 1)


@pytest.mark.parametrize("memory", MEMORIES, ids=lambda memory: memory.name)
def test_a_cut_tears_one_unit_and_leaves_those_before_and_behind_it(memory: Memory) -> None:
    """Units before it hold what was programmed, those behind it are erased, at each read; the torn one is either, or worse."""
    unit, count = memory.write_unit, min(8, memory.page // memory.write_unit)
    data = bytes(count * unit)
    torn_at: set[int] = set()
    for seed in range(40):
        flash = Flash(OF, {}, Noise(f"cut {seed}"))
        flash.watch = _cut
        with pytest.raises(PowerCutError):
            flash.program(memory.name, 0, data)
        (block,) = flash.blocks.values()
        [torn] = [index for index in range(count + 1) if block.torn >> index & 1]
        assert not block.weak
        assert block.torn == 1 << torn
        assert flash.read(memory.name, 0, torn * unit) == bytes(torn * unit) if torn else True
        behind = (torn + 1) * unit
        assert flash.read(memory.name, behind, (count - torn) * unit) == b"\xff" * (count - torn) * unit
        torn_at.add(torn)
    assert len(torn_at) > count // 2


def test_a_block_whose_erase_was_cut_is_weak_until_it_is_erased() -> None:
    memory = MEMORIES[0]
    flash = Flash(OF, {}, Noise("weak"))
    flash.program(memory.name, 0, bytes(memory.write_unit))
    flash.watch = _cut
    with pytest.raises(PowerCutError):
        flash.erase(memory.name, 0)
    (block,) = flash.blocks.values()
    assert (block.weak, block.firm, block.data[: memory.write_unit]) == (True, False, bytes(memory.write_unit))
    flash.watch = _go_on
    flash.erase(memory.name, 0)
    assert flash.blocks == {}


def _cut(_: Operation) -> bool:
    return True


def _go_on(_: Operation) -> bool:
    return False


def test_a_worn_block_takes_nothing_and_says_nothing() -> None:
    memory = MEMORIES[0]
    flash = Flash(OF, {}, Noise("worn"), frozenset({(memory.name, 1)}))
    for number in (0, 1):
        flash.program(memory.name, number * memory.erase_block, bytes(memory.write_unit))
    assert flash.read(memory.name, 0, memory.write_unit) == bytes(memory.write_unit)
    assert flash.read(memory.name, memory.erase_block, memory.write_unit) == b"\xff" * memory.write_unit


def test_noise_follows_from_its_seed_and_has_as_many_bytes_as_asked_for() -> None:
    assert [len(Noise("seed").bytes(count)) for count in (0, 1, 4, 8, 200)] == [0, 1, 4, 8, 200]
    assert Noise("seed").bytes(64) == Noise("seed").bytes(64) != Noise("other").bytes(64)
    assert len(set(Noise("seed").bytes(4096))) == 256
