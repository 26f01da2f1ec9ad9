"""What a life is told apart by: the bytes of a block that it has read before the block was erased, and no other."""

import random

import pytest
from workshop import product

from imgseal.rehearse.contents import Block, Key
from imgseal.rehearse.trace import Trace

KEY: Key = "internal", 7
SIZE = 64


@pytest.mark.parametrize("seed", range(40))
def test_every_byte_of_a_block(seed: int) -> None:
    rng = random.Random(seed)
    memory = product().memories["internal"]._replace(erase_block=SIZE, write_unit=rng.choice((1, 4, 8)))
    trace, ends = Trace(), list[int]()
    for _ in range(rng.randrange(4)):
        start = rng.randrange(SIZE)
        count = rng.randrange(1, SIZE - start + 1)
        trace.read(KEY, start, count)
        ends += start, start + count
    whole = seed % 8 == 7
    if whole:
        trace.read_all(("internal", 5, 9), SIZE)
    if rng.randrange(2):
        trace.replace(KEY)
        trace.read(KEY, 0, SIZE)  # what the life itself has made of it
        trace.read_all(("internal", 0, 9), SIZE)
    seen = range(SIZE) if whole else range(min(ends, default=0), max(ends, default=0))
    data, done = rng.randbytes(SIZE), (1 << SIZE // memory.write_unit) - 1
    one = {KEY: Block(data, done, 0, weak=False)}
    for at in range(SIZE):
        other = {KEY: Block(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :], done, 0, weak=False)}
        assert trace.agree(KEY, one, other, memory, to_the_end=False) == (at not in seen), at
    erased = trace.agree(KEY, one, {}, memory, to_the_end=False)
    assert erased == (not seen)
    assert trace.looked_at >= ({KEY} if seen else set())
