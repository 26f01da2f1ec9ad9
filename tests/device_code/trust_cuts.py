"""Power cuts while a device stores a set of trust anchors: the compiled code on simulated flash, cut at every operation, once or twice.

What has to hold stands in docs/format/trust-anchors.md, "In flash": after every reset the device holds the old set or the new one,
never the old one again after the new one, and none below its monotonic number.
"""

import functools
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from anchor_cases import anchor, factory, following, signed
from c_build import SOURCES
from c_trust import Device, Number, TrustLibrary
from kit_base import ANCHORS, text_of
from run_python import product_of
from workshop import public_key

from imgseal.formats.trust_anchors.codec import (
    IMAGES,
    AnchorFormatError,
    decode_set,
    encode_set,
    flash_block,
    read_flash_block,
)
from imgseal.product.model import Product
from imgseal.rehearse.contents import Block
from imgseal.rehearse.flash import Flash, FlashReadError, PowerCutError, Snapshot, counts_units
from imgseal.rehearse.noise import Noise

SLOT = """
[slot.anchors]
memory = "{memory}"
at = 0x{at:x}
size = "{size} KiB"
holds = "anchors"
"""


class Way(NamedTuple):
    """How a device keeps its sets: where, with a monotonic number or none, and what it had before."""

    memory: str
    at: int
    size: int
    numbered: bool = True
    compiled_in: bool = False
    many: int = 0
    unit: int = 8
    erased: str = "0xFF"


WAYS = {
    "ECC flash, two blocks a place": Way("internal", 0xC000, 8),
    "ECC flash, one block a place": Way("internal", 0xC000, 4),
    "NOR": Way("nor", 0x8000, 8),
    "no number": Way("internal", 0xC000, 4, numbered=False),
    "compiled in": Way("internal", 0xC000, 4, compiled_in=True),
    "wide units": Way("internal", 0xC000, 4, unit=32),
    "units of 64": Way("internal", 0xC000, 4, unit=64),
    "units of 256": Way("internal", 0xC000, 4, unit=256),
    "erased to zeros": Way("internal", 0xC000, 4, erased="0x00"),
    "unreadable when erased": Way("internal", 0xC000, 4, erased='"unreadable"'),
    "32 keys": Way("internal", 0xC000, 8, many=28),
}


class Moment(NamedTuple):
    """What survives a reset."""

    blocks: Snapshot
    firm: int
    loose: int | None
    held: int = 0
    """The newest set that the device has held: an index into the store's sets."""


class BrokenError(Exception):
    """Something that has to hold does not."""


def product_for(way: Way) -> Product:
    slot = SLOT.format(memory=way.memory, at=way.at, size=way.size)
    text = text_of("kit-apex").replace(ANCHORS, slot.lstrip(), 1)
    return product_of("kit-apex", text.replace("write_unit = 8", f"write_unit = {way.unit}\nerased = {way.erased}"))


@functools.cache
def updates(many: int) -> tuple[tuple[bytes, bytes], ...]:
    """Two sets after the factory's, and their updates."""
    more = tuple(anchor(IMAGES, f"many-{n}") for n in range(many))
    revoked = tuple(sorted(public_key(f"gone-{n}").key_id for n in range(32 if many else 1)))
    new = following(number=5, anchors=(*following().anchors, *more), revoked=revoked)
    return tuple((encode_set(each), signed(each)) for each in (new, new._replace(number=6)))


class Store:
    """One device with one update, played from any moment."""

    def __init__(self, way: Way, folder: Path, sources: Path = SOURCES, flags: tuple[str, ...] = ("-O1",)) -> None:
        self.way, self.of = way, product_for(way)
        memory = self.of.memories[way.memory]
        self.base, self.size = memory.base + way.at, way.size << 10
        self.library = TrustLibrary(self.of, folder, sources, (*flags, "-w"))
        later = updates(way.many)
        self.sets = [encode_set(factory()), *(content for content, _ in later)]
        self.updates = [b"", *(update for _, update in later)]
        block = memory.erase_block
        content = flash_block(factory())
        blocks: Snapshot = {}
        if not way.compiled_in:
            units = (1 << -(-len(content) // memory.write_unit)) - 1 if counts_units(memory) else 0
            raw = content.ljust(block, bytes([memory.fill]))
            blocks[way.memory, way.at // block] = Block(raw, units, 0, False)
        self.start = Moment(blocks, 0, None)
        self.lives = 0

    def life(
        self, moment: Moment, seed: str, cut: int | None, play: Callable[["Store", Moment], int]
    ) -> tuple[Moment, int]:
        """Play from a reset, cut at an operation or not at all; return what is left, and how many operations there were."""
        self.lives += 1
        flash = Flash(self.of, dict(moment.blocks), Noise(f"{seed} flash"))
        number = Number(moment.firm, moment.loose, Noise(f"{seed} number")) if self.way.numbered else None
        count = 0

        def watch(_operation: object) -> bool:
            nonlocal count
            count += 1
            return count - 1 == cut

        flash.watch = watch
        if number is not None:
            number.watch = watch
        self.library.start(Device(flash, number), self.base, self.size, self.sets[0] if self.way.compiled_in else b"")
        self.library.running(b"\xff" * 5, settled=True)
        held = moment.held
        try:
            held = play(self, moment)
        except PowerCutError:
            if self.library.held in self.sets:  # nothing is held while it is being stored
                held = max(held, self.sets.index(self.library.held))
        firm, loose = (0, None) if number is None else (number.firm, number.loose)
        return Moment(flash.blocks, firm, loose, held), count

    def opened(self, moment: Moment) -> int:
        """Open, and see what is held."""
        code = self.library.say("open")
        if code != "accepted":
            raise BrokenError(f"opened: {code}")
        held, number = self.library.held, self.library.device.number
        if held not in self.sets:
            raise BrokenError("no set that there ever was")
        if self.sets.index(held) < moment.held:
            raise BrokenError("an old set again")
        if number is not None and decode_set(held).number < number.highest:
            raise BrokenError("below its number")
        return self.sets.index(held)


def only_open(store: Store, moment: Moment) -> int:
    return store.opened(moment)


def taking(index: int) -> Callable[[Store, Moment], int]:
    """What the device does when an update comes: it may be the second time."""

    def open_and_take(store: Store, moment: Moment) -> int:
        store.opened(moment)
        code = store.library.say("take", store.updates[index], len(store.updates[index]))
        if code != "accepted" or store.library.held != store.sets[index]:
            raise BrokenError(f"taken: {code}")
        return index

    return open_and_take


def finish(store: Store, moment: Moment, seed: str, index: int = 1) -> Moment:
    """No more cuts: every reset gives the same set; then the update is taken, and lies in flash as the page says."""
    held = moment.held
    for number in range(3):
        moment, _ = store.life(moment, f"{seed} rest {number}", None, only_open)
        if number and held != moment.held:
            raise BrokenError("another set after a reset without a cut")
        held = moment.held
    moment, _ = store.life(moment, f"{seed} taken", None, taking(index))
    if store.way.numbered and max(moment.firm, moment.loose or 0) != decode_set(store.sets[index]).number:
        raise BrokenError("the number was not raised")
    flash = Flash(store.of, dict(moment.blocks), Noise(seed))
    there = []
    for place in range(2):
        try:
            raw = flash.read(store.way.memory, store.way.at + place * store.size // 2, len(store.sets[index]) + 32)
            there.append(encode_set(read_flash_block(raw)))
        except (AnchorFormatError, FlashReadError):
            continue
    if store.sets[index] not in there:
        raise BrokenError("no place holds the set")
    for number in range(2):
        moment, _ = store.life(moment, f"{seed} end {number}", None, only_open)
    return moment


def every_cut(store: Store, seeds: int, *, pairs: bool, first_seed: int = 0) -> int:
    """Cut everywhere, with so many ways of what torn flash reads as; return how many lives were played. BrokenError ends it.

    With `pairs` a second time as well: while the device resumes, and while it takes the next set, when all seemed well.
    """
    first, count = store.life(store.start, "whole", None, taking(1))
    finish(store, first, "whole")
    for seed in range(first_seed, first_seed + seeds):
        for at in range(count):
            token = f"{seed}:{at}"
            moment, _ = store.life(store.start, token, at, taking(1))
            for play in (only_open, taking(1)):
                resumed, again = store.life(moment, f"{token} resumed", None, play)
                finish(store, resumed, f"{token} resumed")
                for second in range(again if pairs else 0):
                    left, _ = store.life(moment, f"{token} resumed {second}", second, play)
                    finish(store, left, f"{token}.{second}")
                _, again = store.life(resumed, f"{token} later", None, taking(2))
                for second in range(again if pairs else 0):
                    left, _ = store.life(resumed, f"{token} later {second}", second, taking(2))
                    finish(store, left, f"{token}.later {second}", 2)
    return store.lives
