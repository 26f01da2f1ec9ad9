"""Power cuts while a device stores a set of trust anchors, in C on simulated flash; trust_cuts.py says what has to hold.

Longer: `python -m pytest tests/device_code/test_trust_cuts.py` with SEEDS raised.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from anchor_cases import factory, following, signed
from c_build import SOURCES
from c_trust import Device, Number
from long_runs import long
from trust_cuts import WAYS, Store, every_cut

from imgseal.formats.trust_anchors.codec import encode_set, flash_block
from imgseal.rehearse.contents import Block
from imgseal.rehearse.flash import Flash
from imgseal.rehearse.noise import Noise

SANITIZED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")
SEEDS = 2
RUNS = b"\xff" * 5


MAINLY = ("ECC flash, two blocks a place", "no number", "compiled in", "units of 64", "unreadable when erased")


@pytest.mark.parametrize("name", [pytest.param(name, marks=() if name in MAINLY else long) for name in WAYS])
def test_every_cut(
    name: str, tool: Callable[[str], str], tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    """Every single cut, and every pair: the second while the device resumes, or while it takes the next set."""
    tool("gcc")
    lives = every_cut(Store(WAYS[name], tmp_path, flags=SANITIZED), SEEDS, pairs=name != "32 keys")
    record_property("lives", lives)
    assert lives > 300


class Bench:
    """A store with what the test puts into its slot."""

    def __init__(self, folder: Path, sources: Path = SOURCES) -> None:
        self.store = Store(WAYS["ECC flash, one block a place"], folder, sources)
        self.flash = Flash(self.store.of, {}, Noise(""))
        self.number: Number | None = Number(0, None, Noise(""))
        self.operations: list[object] = []
        self.flash.watch = self.note
        self.number.watch = self.note

    def note(self, operation: object) -> bool:
        self.operations.append(operation)
        return False

    def put(self, place: int, content: bytes, *, marked: bool = False) -> None:
        at = self.store.way.at + place * self.store.size // 2
        unit = 8
        raw = content.ljust(-(-len(content) // unit) * unit, b"\xff") + (content[-32:] if marked else b"")
        self.flash.blocks["internal", at // 2048] = Block(raw.ljust(2048, b"\xff"), 0, 0, False)

    def open(self, factory_set: bytes = b"") -> str:
        self.operations.clear()
        self.store.library.start(Device(self.flash, self.number), self.store.base, self.store.size, factory_set)
        self.store.library.running(RUNS, settled=True)
        return self.store.library.say("open")

    @property
    def held(self) -> bytes:
        return self.store.library.held


@pytest.fixture
def bench(tool: Callable[[str], str], tmp_path: Path) -> Bench:
    tool("gcc")
    return Bench(tmp_path)


def test_what_the_factory_wrote_is_copied_once(bench: Bench) -> None:
    """Place 0 as `imgseal factory` writes it: the set goes to place 1, then to place 0 with its mark, and stays."""
    bench.put(0, flash_block(factory()))
    assert bench.open() == "accepted"
    assert bench.held == encode_set(factory())
    assert len(bench.operations) > 8
    assert bench.open() == "accepted"
    assert bench.operations == []


def test_the_higher_number_counts(bench: Bench) -> None:
    for place in (0, 1):
        bench.put(place, flash_block(following(number=4)), marked=True)
        bench.put(1 - place, flash_block(following(number=3)), marked=True)
        assert bench.open() == "accepted"
        assert bench.held == encode_set(following(number=4))
    assert bench.number is not None
    assert bench.number.firm == 4


def test_below_the_monotonic_number_nothing_counts(bench: Bench) -> None:
    bench.number = Number(4, None, Noise(""))
    for place in (0, 1):
        bench.put(place, flash_block(following(number=3)), marked=True)
    assert bench.open() == "device.no-trust-set"
    assert bench.held == b""
    assert bench.store.library.say("judge", signed(following(number=9)), 700) == "device.no-trust-set"
    bench.put(0, flash_block(following(number=4)), marked=True)
    assert bench.open() == "accepted"
    assert bench.held == encode_set(following(number=4))


def test_damage_is_repaired_from_the_other_place(bench: Bench) -> None:
    good = flash_block(following(number=4))
    for place in (0, 1):
        for at in (0, 11, 200, len(good) - 1):
            bench.put(place, good[:at] + bytes([good[at] ^ 1]) + good[at + 1 :], marked=True)
            bench.put(1 - place, good, marked=True)
            assert bench.open() == "accepted"
            assert bench.held == encode_set(following(number=4))
            assert bench.operations != []
            assert bench.open() == "accepted"
            assert bench.operations == []


def test_no_place_is_whole(bench: Bench) -> None:
    """Nothing is trusted; a set that is compiled in counts while the monotonic number allows it, and only where there is one."""
    own = encode_set(factory())
    bench.put(0, b"\0" + flash_block(factory())[1:])
    assert bench.open() == "device.no-trust-set"
    assert bench.open(own) == "accepted"
    assert bench.held == own
    for number in (Number(1, None, Noise("")), None):
        bench.flash.blocks.clear()
        bench.number = number
        assert bench.open(own) == "device.no-trust-set"


def test_a_set_of_another_class_does_not_count(bench: Bench) -> None:
    """Its digest holds, and its form: the factory has put the wrong one there."""
    for wrong in (factory()._replace(class_id=bytes(16)), factory()._replace(vendor_id=bytes(16))):
        bench.put(0, flash_block(wrong))
        assert bench.open() == "device.no-trust-set"
        assert bench.open(encode_set(wrong)) == "device.no-trust-set"


def test_what_breaks_the_form_does_not_count(bench: Bench) -> None:
    """A digest is easily made: the form is looked at as well."""
    import hashlib

    content = bytearray(encode_set(factory()))
    content[16] = 9
    bench.put(0, bytes(content) + hashlib.sha256(content).digest())
    assert bench.open() == "device.no-trust-set"


def test_a_set_that_is_too_large_for_its_place(bench: Bench) -> None:
    """2 KiB hold 18 keys: the update is good, and nothing is written."""
    from anchor_cases import anchor

    from imgseal.formats.trust_anchors.codec import IMAGES

    bench.put(0, flash_block(factory()))
    assert bench.open() == "accepted"
    many = tuple(anchor(IMAGES, f"many-{n}") for n in range(18))
    update = signed(following(number=5, anchors=(*following().anchors, *many)))
    bench.operations.clear()
    assert bench.store.library.say("judge", update, len(update)) == "accepted"
    assert bench.store.library.say("take", update, len(update)) == "device.buffer-too-small"
    assert bench.operations == []
    assert bench.held == encode_set(factory())


def test_the_same_set_again_writes_nothing(bench: Bench) -> None:
    bench.put(0, flash_block(factory()))
    assert bench.open() == "accepted"
    bench.operations.clear()
    update = signed(factory())
    assert bench.store.library.say("take", update, len(update)) == "accepted"
    assert bench.operations == []


def test_an_update_is_read_once(bench: Bench) -> None:
    """What lies outside may change while it is judged: what was judged is what is stored."""
    bench.put(0, flash_block(factory()))
    assert bench.open() == "accepted"
    update, other = signed(following(number=5)), signed(following(number=6))
    bench.store.library.library.trust_changes(other)
    assert bench.store.library.say("take", update, len(update)) == "accepted"
    assert bench.held == encode_set(following(number=5))
    assert bench.open() == "accepted"
    assert bench.held == encode_set(following(number=5))


def test_flash_that_lies(bench: Bench) -> None:
    """A bit that did not take: the new set is not held, and after a reset the old one is."""
    bench.put(0, flash_block(factory()), marked=True)
    assert bench.open() == "accepted"
    program = bench.flash.program

    def weak(memory: str, at: int, data: bytes) -> None:
        program(memory, at, data if at % 2048 != 256 else b"\xff" + data[1:])

    bench.flash.program = weak  # type: ignore[method-assign]
    update = signed(following(number=5, contingency=factory().contingency))
    assert bench.store.library.say("take", update, len(update)) == "device.unwritable"
    assert bench.held == b""
    bench.flash.program = program  # type: ignore[method-assign]
    assert bench.open() == "accepted"
    assert bench.held == encode_set(factory())


def test_a_refused_update_changes_nothing(bench: Bench) -> None:
    bench.put(0, flash_block(following(number=3)))
    assert bench.open() == "accepted"
    before, update = dict(bench.flash.blocks), signed(following(number=2))
    assert bench.store.library.say("take", update, len(update)) == "rollback.trust-number"
    assert bench.flash.blocks == before
    assert bench.held == encode_set(following(number=3))


def test_keys_of_the_held_set(bench: Bench) -> None:
    """As the readers of images and packages take them: images first, then packages."""
    bench.put(0, flash_block(following(number=3)))
    assert bench.store.library.say("keys") == "device.no-trust-set"
    assert bench.open() == "accepted"
    assert bench.store.library.say("keys") == "accepted"
    keys = bench.store.library.library.trust_held_keys()[0]
    wanted = sorted(following().anchors, key=lambda a: (a.role, a.key_id))
    assert (keys.images, keys.packages, keys.need_images, keys.need_packages) == (3, 1, 1, 1)
    for found, anchor in zip(keys.anchor, wanted, strict=False):
        assert bytes(found.key_id) == anchor.key_id
        assert bytes(found.x) + bytes(found.y) == anchor.point
        assert (found.components, found.development) == (anchor.components, 0)


def test_a_slot_of_one_block_is_only_read(bench: Bench) -> None:
    library = bench.store.library
    bench.put(0, flash_block(following(number=3)))
    library.start(Device(bench.flash, bench.number), bench.store.base, 2048)
    library.running(RUNS, settled=True)
    assert library.say("open") == "accepted"
    assert bench.operations == ["raise to 3"]
    update = signed(following(number=5))
    assert library.say("take", update, len(update)) == "device.buffer-too-small"
    assert library.held == encode_set(following(number=3))
    bench.flash.blocks.clear()
    library.start(Device(bench.flash, bench.number), bench.store.base, 0)
    assert library.say("open") == "device.no-trust-set"
