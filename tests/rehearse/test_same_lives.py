"""Lives that cannot differ are played once, and each is counted: as if all of them had been played, which is the reference."""

import hashlib
import tracemalloc
from collections.abc import Callable

import pytest
from demo_update import demo_update
from large_data import first_release, update
from stages import PRODUCTS, erased_as, pair_of, text_of

from imgseal.rehearse import slots
from imgseal.rehearse.explore import Explorer, Tally, Violation
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.slots import Slots
from imgseal.rehearse.trace import Trace
from imgseal.window import ByteView

MIB = 1 << 20
Case = tuple[Stage, ByteView]


def in_blocks(name: str) -> str:
    """A small product whose images fill several erase blocks of several pages each."""
    text = text_of(name).replace('erase_block = "2 KiB"', "erase_block = 512").replace("page = 2048", "page = 128")
    return text.replace('erase_block = "4 KiB"', "erase_block = 1024").replace("page = 4096", "page = 128")


CASES = {
    **{name: in_blocks(name) for name in PRODUCTS},
    "erased to zero": erased_as("two cores", "0x00", "0x00").replace("page = 2048", "page = 256"),
    "erased unreadable": erased_as("two cores", '"unreadable"', '"unreadable"').replace("page = 2048", "page = 256"),
}


def case_of(text: str) -> Case:
    made = pair_of(text)
    return made.stage, made.package


def explored(case: Case, seed: str, *, merges: bool) -> tuple[Violation | None, Tally]:
    explorer = Explorer(*case, seed, Programs())
    explorer.merges = merges
    return explorer.explore(40), explorer.tally


def counted(tally: Tally) -> dict[str, object]:
    return {key: value for key, value in vars(tally).items() if key != "played"}


@pytest.mark.parametrize("name", [*CASES, "large data"])
def test_every_life_is_counted_as_if_it_had_been_played(name: str) -> None:
    case = update(40_000, 4096) if name == "large data" else case_of(CASES[name])
    one, all_of_them = explored(case, "1", merges=False)
    found, tally = explored(case, "1", merges=True)
    assert found is None is one
    assert counted(tally) == counted(all_of_them)
    assert tally.singles == 2 * sum(tally.operations.values())
    assert all_of_them.played == tally.singles + tally.pairs
    assert tally.played < all_of_them.played or name == "erased unreadable"  # each read of that may differ


def test_what_reads_before_it_erases_is_not_taken_for_what_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver that looks whether a block is erased: what the cut has left there is read, so it counts."""
    real = Slots.erase

    def looks(self: Slots, name: str) -> None:
        slot = self._product.slots[name]
        if slot.memory == "nor":
            self._flash.read(slot.memory, slot.at, slot.size)
        real(self, name)

    case = update(40_000, 4096)
    _, sound = explored(case, "1", merges=True)
    monkeypatch.setattr(Slots, "erase", looks)
    _, tally = explored(case, "1", merges=True)
    assert tally.played > sound.played + 100


def test_a_read_that_is_not_noted_would_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """The test above this one can fail: with reads left out, lives are merged that differ."""
    monkeypatch.setattr(Trace, "agree", lambda *_args, **_named: True)
    case = case_of(CASES["staged outside, kept"])
    assert counted(explored(case, "1", merges=True)[1]) != counted(explored(case, "1", merges=False)[1])


@pytest.mark.parametrize("made", [first_release, update], ids=["fresh", "update"])
def test_the_work_does_not_grow_with_the_data(made: Callable[[int], Case], monkeypatch: pytest.MonkeyPatch) -> None:
    """Four times the data: four times the lives counted, as many played, and each byte hashed as often as before."""
    seen: list[tuple[int, int, int]] = []
    for size in (MIB, 4 * MIB):
        stage, package = made(size)
        hashed = 0

        class Counting:
            @staticmethod
            def sha256(data: bytes) -> object:
                nonlocal hashed
                hashed += len(data)
                return hashlib.sha256(data)

        monkeypatch.setattr(slots, "hashlib", Counting)
        explorer = Explorer(stage, package, "1", Programs())
        assert explorer.explore(0) is None
        seen.append((explorer.tally.singles, explorer.tally.played, hashed))
    (lives, played, hashed), (more, as_many, twice) = seen
    assert more > 3.8 * lives
    assert as_many < 1.25 * played < 700
    assert twice < 4.2 * hashed
    assert hashed < 8 * MIB


def test_memory_follows_what_changes() -> None:
    """All the moments of an update with 1 MiB, in Python's own count: pages once, and little for each operation."""
    stage, package = update(MIB)
    tracemalloc.start()
    try:
        assert Explorer(stage, package, "1", Programs()).explore(0) is None
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 8 * MIB


def test_the_demos_update_needs_little() -> None:
    """Far below 150 MiB, of which Python and the product take 40."""
    stage, package = demo_update()
    tracemalloc.start()
    try:
        explorer = Explorer(stage, package, "1", Programs())
        assert explorer.explore(0) is None
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert explorer.tally.singles == 2 * sum(explorer.tally.operations.values()) > 9000
    assert explorer.tally.played < 1000
    assert peak < 40 * MIB
