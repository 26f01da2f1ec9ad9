"""Contents of flash against a plain table, by random changes and copies; what is shared, by counting."""

import hashlib
import random

import pytest
from stages import pair
from workshop import product

from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.rehearse import slots
from imgseal.rehearse.contents import Block, Contents, Key
from imgseal.rehearse.flash import Flash
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.slots import Remembered, Slots, statement_digest
from imgseal.rehearse.trace import Trace

PARTS = [None, ("a", 0, 4), ("a", 2, 900), ("b", 0, 1)]


def block(rng: random.Random) -> Block:
    return Block(rng.choice((b"one", b"two")), 0, rng.randrange(8) == 0, rng.randrange(8) == 0)


def plain_part(table: dict[Key, Block], part: tuple[str, int, int] | None) -> dict[Key, Block]:
    return {k: v for k, v in table.items() if part is None or (k[0] == part[0] and part[1] <= k[1] < part[2])}


def test_random_changes_and_copies() -> None:
    rng = random.Random("contents")
    every: list[tuple[Contents, dict[Key, Block]]] = [(Contents(), {})]
    numbers: dict[tuple[object, frozenset[tuple[Key, bytes]]], int] = {}
    for _ in range(6000):
        contents, table = rng.choice(every[-6:])
        key = rng.choice("ab"), rng.randrange(rng.choice((3, 900)))
        if rng.random() < 0.3:
            contents.put(key, None)
            table.pop(key, None)
        else:
            contents[key] = table[key] = block(rng)
        if rng.random() < 0.01:
            every.append((contents.branch(), dict(table)))
        if rng.random() < 0.05:
            part = rng.choice(PARTS)
            held = part, frozenset((k, v.digest) for k, v in plain_part(table, part).items())
            assert numbers.setdefault(held, contents.sum_of(part)) == contents.sum_of(part)
    assert len(every) > 30
    assert len(set(numbers.values())) == len({held for (_, held) in numbers})
    for contents, table in every:
        assert contents == table
        assert len(contents) == len(table)
        assert contents.loose == {k for k, v in table.items() if not v.firm}


def test_an_image_that_is_there_unchanged_is_hashed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever reads it, as long as they remember together; after a change of its payload it is no image any more."""
    stage = pair("two run slots").stage
    of, known = stage.facts.product, Remembered()
    flash, _ = stage.moment.storage(stage.facts, Noise("once"))
    (component,) = of.components.values()
    statement = statement_digest(Slots(flash, of).view(component.run[0]).read(0, STATEMENT_BYTES))
    hashed: list[int] = []

    class Counting:
        @staticmethod
        def sha256(data: bytes) -> object:
            hashed.append(len(data))
            return hashlib.sha256(data)

    monkeypatch.setattr(slots, "hashlib", Counting)
    images = [Slots(flash, of, known).read_run(component, 0, statement) for _ in range(3)]
    assert images[0] is not None
    assert all(image is images[0] for image in images)
    assert hashed.count(len(images[0].payload)) == 1
    place = of.slots[component.run[0]]
    size = of.memories[place.memory].erase_block
    number, offset = divmod(place.at + len(images[0].header), size)
    held = flash.blocks[place.memory, number]
    data = bytearray(held.data)
    data[offset] ^= 1
    flash.blocks[place.memory, number] = Block(bytes(data), held.done, held.torn, held.weak)
    assert Slots(flash, of, known).read_run(component, 0, statement) is None


def test_a_program_call_copies_its_page_and_a_copy_no_page() -> None:
    of = product()
    memory = next(m for m in of.memories.values() if m.erase_block > 4 * m.page)
    flash = Flash(of, {}, Noise("pages"))
    for page in range(0, memory.erase_block, memory.page):
        flash.program(memory.name, page, bytes(memory.page))
    before = flash.blocks[memory.name, 0].pages(memory.page)
    copy = flash.blocks.branch()
    if memory.program_once:
        flash.erase(memory.name, 0)
    flash.program(memory.name, memory.page, b"\0" * memory.page)
    after = flash.blocks[memory.name, 0].pages(memory.page)
    assert copy[memory.name, 0].pages(memory.page) == before
    if not memory.program_once:
        assert [index for index, (old, new) in enumerate(zip(before, after, strict=True)) if old is not new] == [1]
    assert all(old is new for old, new in zip(before, copy[memory.name, 0].pages(memory.page), strict=True))


def test_blocks_that_differ_in_what_counts_differ() -> None:
    made = [Block(b"x", 0, 0, False), Block(b"y", 0, 0, False), Block(b"x", 1, 0, False), Block(b"x", 0, 1, False),
            Block(b"x", 0, 0, True)]  # fmt: skip
    assert len({each.digest for each in made}) == len(made)
    assert Block((b"ab", b"cd"), 0, 0, False) == Block(b"abcd", 0, 0, False)
    contents = [Contents({("a", 1): made[0]}), Contents({("a", 2): made[0]}), Contents({("b", 1): made[0]})]
    assert len({each.sum_of(None) for each in contents}) == 3


def test_a_life_does_not_tell_a_block_that_was_never_programmed_from_an_erased_one() -> None:
    memory = product().memories["internal"]
    key, erased = (memory.name, 3), bytes([memory.erased or 0]) * memory.erase_block
    trace = Trace()
    trace.read(key, 64, 32)

    def agree(block: Block) -> bool:
        return trace.agree(key, {}, {key: block}, memory, to_the_end=False)

    unit = 64 // memory.write_unit
    assert agree(Block(erased, 0, 0, False))
    assert agree(Block(b"x" + erased[1:], 1, 0, False))
    assert not agree(Block(erased, 1 << unit, 0, False))
    assert not agree(Block(erased[:64] + b"x" + erased[65:], 1 << unit, 0, False))
    assert not agree(Block(erased, 0, 1 << unit, False))
