"""A device on a bench that boots by digest: what it starts, whose signatures it verifies, and what an adversary writes into it."""

import functools
import hashlib
import random
import struct
from collections.abc import Callable, Mapping
from typing import NamedTuple

from stages import component_text, files, installed, pair, slot_text, text_of
from workshop import make

from imgseal.check.context import Context
from imgseal.formats.install_record.record import Member, Record, place_content
from imgseal.formats.install_record.room import record_bytes
from imgseal.formats.memory.image import MemoryImage
from imgseal.keys.mldsa44 import MlDsa44Key
from imgseal.product.read_toml import read
from imgseal.rehearse.apply import apply
from imgseal.rehearse.boot import Started
from imgseal.rehearse.contents import Block
from imgseal.rehearse.counters import Counters, numbers_stored
from imgseal.rehearse.device import Facts, Judgements
from imgseal.rehearse.flash import Flash, FlashReadError, Operation, Snapshot
from imgseal.rehearse.journal import NoPlaceError
from imgseal.rehearse.life import Life, Programs, Scenario, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.slots import statement_digest
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

MARKED_TWO = "two run slots, at boot by digest"


class Seen(NamedTuple):
    """One boot: what started (None: a reset), statements whose signatures were verified, operations on the mark's slot."""

    started: Started | None
    verified: frozenset[bytes]
    marked: tuple[Operation, ...]


class Board:
    """Flash and counters of one device; nothing else survives from boot to boot."""

    def __init__(self, facts: Facts, blocks: Snapshot, counters: dict[int, int]) -> None:
        self.facts = facts
        self.blocks = blocks
        self.counters = counters

    def boot(self, programs: Programs, facts: Facts | None = None, noise: str = "board") -> Seen:
        """Boot with the device's own facts, or with others from now on."""
        self.facts = facts or self.facts
        of = self.facts.product
        reads = Noise(noise)
        flash = Flash(of, self.blocks, reads, self.facts.worn)
        counters = Counters(self.counters, frozenset(), reads, numbers_stored(of))
        device = programs.device(self.facts, flash, counters, None, Judgements())
        verified: set[bytes] = set()
        device.verified = verified.add
        where = of.slot_holding("boot-mark")
        marked: list[Operation] = []

        def watch(operation: Operation) -> bool:
            if where is not None and (operation.memory, operation.at // where.size) == (
                where.memory,
                where.at // where.size,
            ):
                marked.append(operation)
            return False

        flash.watch = watch
        try:
            started = programs.bootloader(device, programs.journal(flash, of)).boot(power_on=True)
        except NoPlaceError:
            started = None
        self.blocks, self.counters = flash.blocks, counters.firm
        return Seen(started, frozenset(verified), tuple(marked))

    def twin(self) -> "Board":
        """The same device with a bootloader that verifies signatures at each boot."""
        of = self.facts.product
        always = of._replace(rules=of.rules._replace(at_boot="signature"))
        return Board(self.facts._replace(product=always), dict(self.blocks), dict(self.counters))

    def read_mark(self, noise: str) -> bytes | None:
        """What the first read of a boot with this noise finds where the mark lies, as nothing else is torn."""
        slot = self.facts.product.slots["mark"]
        try:
            return Flash(self.facts.product, self.blocks, Noise(noise)).read(slot.memory, slot.at, 32)
        except FlashReadError:
            return None

    def mark(self) -> bytes:
        """The first 32 bytes of the mark's slot."""
        return self.slot("mark")[:32]

    def slot(self, name: str) -> bytes:
        slot = self.facts.product.slots[name]
        return Flash(self.facts.product, self.blocks, Noise("look")).read(slot.memory, slot.at, slot.size)

    def lay(self, name: str, content: bytes) -> None:
        """Write a slot as a program with the rights of the application does."""
        slot = self.facts.product.slots[name]
        memory = self.facts.product.memories[slot.memory]
        size = memory.erase_block
        data = content.ljust(slot.size, b"\xff")
        for start in range(0, slot.size, size):
            done = (1 << size // memory.write_unit) - 1 if memory.program_once else 0
            block = Block(data[start : start + size], done, 0, False)
            self.blocks[slot.memory, (slot.at + start) // size] = block


def board(name: str) -> Board:
    """A device that runs the first release of a small product, settled; it has not started since it was made."""
    stage = set_up(
        Context(pair(name).product, pair(name).first.trust, pair(name).state, pair(name).contents), pair(name).package
    )
    return Board(stage.facts, dict(stage.moment.blocks), dict(stage.moment.counters))


class Trusting(NamedTuple):
    """Trust anchors and rules of a product, who seals for it, and whether its devices take development images."""

    keys: str = '["keys/images.pub.pem"]'
    need: int = 1
    rules: str = ""
    sealed_by: tuple[str, ...] = ("keys/images",)
    development: bool = False


_SECOND = 'algorithms = ["ESP256", "ML-DSA-44"]\n'
_BOTH = '["keys/images.pub.pem", "keys/images-pq.pub.pem"]'
TRUSTING = {
    "one key": Trusting(),
    "two keys": Trusting('["keys/images.pub.pem", "keys/images-2.pub.pem"]'),
    "two keys in another order": Trusting('["keys/images-2.pub.pem", "keys/images.pub.pem"]'),
    "two signers": Trusting(
        '["keys/images.pub.pem", "keys/images-2.pub.pem"]', 2, "", ("keys/images", "keys/images-2")
    ),
    "for some components": Trusting(
        '[{ key = "keys/images.pub.pem", components = ["app", "words"] }, { key = "keys/images-2.pub.pem", components = ["words"] }]'
    ),
    "for another class": Trusting('["keys/images.pub.pem", { key = "keys/images-2.pub.pem", classes = ["other-1"] }]'),
    "on a desk": Trusting(development=True),
    "two algorithms": Trusting(_BOTH, 1, _SECOND, ("keys/images", "keys/images-pq")),
    "either algorithm": Trusting(_BOTH, 1, _SECOND + 'must_verify = ["ESP256"]\n', ("keys/images", "keys/images-pq")),
}
"""Trust anchors of devices with one component in two run slots, and one of data."""

ROOMY = (
    slot_text("app-a", 0x3000, 8192) + slot_text("app-b", 0x5000, 8192) + slot_text("words", 0x9000, 4096)
    + component_text("app", 1, 'run = ["app-a", "app-b"]') + component_text("words", 6, 'run = ["words"]\nway_back = "none"', None)
).replace("header_block = 512", "header_block = 3072")  # fmt: skip


def trusting_text(variant: str) -> str:
    of = TRUSTING[variant]
    text = text_of(MARKED_TWO).split("[slot.app-a]")[0] + ROOMY
    text = text.replace('keys = ["keys/images.pub.pem"]\n', f"keys = {of.keys}\nneed = {of.need}\n")
    desk = '[trust.development]\nimages = ["keys-dev/images.pub.pem"]\npackages = ["keys-dev/packages.pub.pem"]\n'
    text = text.replace("[rules]\n", f"{desk}[rules]\n{of.rules}")
    if "pq" in of.keys:
        for key in ("keys/packages", "keys-dev/images", "keys-dev/packages"):
            text = text.replace(f'["{key}.pub.pem"]', f'["{key}.pub.pem", "{key}-pq.pub.pem"]')
    return text


@functools.cache
def _in_trial(name: str) -> Life:
    stage = pair(name).stage
    life = Life(
        stage, Scenario(healthy=True, source=True), pair(name).package, Judgements(), Noise("trial"), Programs()
    )  # fmt: skip
    life.run(known=set(), until_trial=True)
    return life


def in_trial(name: str) -> Board:
    """A device that was given the second release and has booted it once, without its mark and the count of that start."""
    moment = _in_trial(name).moment()
    device = Board(pair(name).stage.facts, dict(moment.blocks), dict(moment.counters))
    device.lay("mark", b"")
    return device


def updated(name: str) -> Board:
    """A device that runs the second release, settled; of two run slots it is the other one."""
    stage = _updated(name)
    return Board(stage.facts, dict(stage.moment.blocks), dict(stage.moment.counters))


@functools.cache
def _updated(name: str) -> Stage:
    update = pair(name)
    applied = apply(Context(update.product, update.first.trust, update.state, update.contents), update.package)
    contents = {slot: ByteView(content) for slot, content in applied.slots.items()}
    return set_up(Context(update.product, update.first.trust, applied.state, contents), update.package)


@functools.cache
def _stage(variant: str) -> Stage:
    of = read(trusting_text(variant), name="imgseal.toml")
    shop = make(of, files=files(of, "one"), sealed_by=TRUSTING[variant].sealed_by)
    state, contents = installed(of, shop)
    return set_up(
        Context(of, shop.trust, state, contents, development=TRUSTING[variant].development), ByteView(shop.package)
    )


def trusting(variant: str) -> Board:
    """A device with these trust anchors that runs a first release, settled."""
    stage = _stage(variant)
    return Board(stage.facts, dict(stage.moment.blocks), dict(stage.moment.counters))


def said(facts: Facts, members: Mapping[int, Member]) -> dict[str, object]:
    """What third_mark has to know, from the product file's trust anchors and what the device says of itself."""
    of = facts.product
    anchors = []
    for key in facts.trust.keys:
        if key.role != "images" or (key.development and not facts.development):
            continue
        good = [
            i
            for i, n in enumerate(of.numbers)
            for c in of.components.values()
            if c.number == n and c.name in key.components
        ]
        mask = sum(1 << i for i in good) if key.components else 0xFFFFFFFF
        if key.classes and of.class_name not in key.classes:
            mask = 0
        public = key.public
        point, value = (b"", public.value) if isinstance(public, MlDsa44Key) else (public.x + public.y, b"")
        anchors.append((key.key_id, point, mask, key.development, value))
    bits = {"ESP256": 1, "ML-DSA-44": 2}
    version = (0, 0, 0, 0) if facts.state.bootloader is None else facts.state.bootloader.words()
    return {
        "entries": [(n, *members.get(n, (None, b""))) for n in of.numbers],
        "anchors": anchors, "revoked": [bytes.fromhex(key) for key in facts.state.revoked], "need": facts.trust.need_images,
        "kinds": sum(bits[name] for name in of.rules.algorithms), "must": sum(bits[name] for name in of.rules.must_verify),
        "development": facts.development, "hardware": facts.state.hardware, "bootloader": struct.pack("<4I", *version),
    }  # fmt: skip


# -- an adversary that has the application's rights -----------------------------------------------------------------------


class Forger:
    """Makes images and records of its own; it has no key, and everything else that is public."""

    def __init__(self, name: str, rng: random.Random) -> None:
        self.rng = rng
        update = pair(name)
        self.of = update.product
        self.genuine: dict[str, list[bytes]] = {}
        detached = {slot for component in self.of.components.values() if component.header for slot in component.run}
        for shop, word in ((update.first, "one"), (update.second, "two")):
            payloads = {file.name.removesuffix(".bin"): file.content for file in files(self.of, word)}
            for slot, image in shop.images.items():
                firmware = payloads[slot]
                assert isinstance(firmware, MemoryImage)
                region = firmware.regions[0]
                rest = firmware.read(region.address, region.size) if slot in detached else b""
                self.genuine.setdefault(slot, []).append(image + bytes(rest))
        self.digests = {statement_digest(i): i for images in self.genuine.values() for i in images}

    def image(self, slot: str) -> bytes:
        """A genuine image, or one that only its signatures give away, or one that other checks find too."""
        image = self.rng.choice(self.genuine.get(slot) or [b""])
        if not image or self.rng.random() < 0.4:
            return image
        made = bytearray(image)
        block = int.from_bytes(made[292:294], "little")
        kind = self.rng.randrange(5)
        if kind <= 1:  # code of its own, with its digest in the statement: nothing but the signature is wrong
            size = int.from_bytes(made[280:284], "little")
            made[block + size - 1 - self.rng.randrange(8)] ^= 1 + self.rng.randrange(255)
            made[248:280] = hashlib.sha256(made[block : block + size]).digest()
        elif kind == 2:  # a counter of its own, under the old signature
            made[68] = self.rng.randrange(1, 9)
        elif kind == 3:  # the payload alone
            made[block + self.rng.randrange(len(made) - block)] ^= 1
        else:  # another hardware revision, version or flag
            made[self.rng.choice((46, 52, 56, 296))] ^= 1
        return bytes(made)

    def record(self, lying: dict[str, bytes]) -> Record:
        """Any record that can be encoded, mostly one that names what lies in the slots."""
        rng, of = self.rng, self.of
        settled, target = (None if rng.random() < 0.5 else rng.choice(list(self.digests)) for _ in range(2))
        prepared, kept, placed = (rng.getrandbits(len(of.numbers)) for _ in range(3))
        return Record(
            rng.choice((1, 1, 1, 2, 3, 4, 4, 5, 6, 7)), rng.randrange(1, 1 << 31), rng.randrange(1 << 31), rng.randrange(4), rng.randrange(4),
            rng.randrange(21), prepared, kept, placed, rng.randrange(20), settled, rng.randrange(20), target, rng.random() < 0.5,
            rng.random() < 0.2, (), self._set(lying), self._set(lying),
        )  # fmt: skip

    def _set(self, lying: dict[str, bytes]) -> dict[int, Member]:
        out = {}
        for component in self.of.components.values():
            if component.recovery or self.rng.random() < 0.08:
                continue
            index = self.rng.randrange(len(component.run)) if self.rng.random() < 0.95 else 1
            where = (component.header or component.run)[min(index, len(component.run) - 1)]
            digest = statement_digest(lying[where])
            if self.rng.random() < 0.1:
                digest = self.rng.choice(list(self.digests))
            out[component.number] = Member(index, digest)
        return out


def attack(device: Board, forger: Forger) -> None:
    """Fill the slots and write a record: everything but the bootloader's own slot and the mark's."""
    of, rng = forger.of, forger.rng
    for component in of.components.values():
        for index, name in enumerate(component.run):
            if rng.random() < 0.5:
                continue
            image = forger.image(name)
            if component.header and image:
                device.lay(component.header[index], image[: component.header_block])
                device.lay(name, image[component.header_block :])
            elif image:
                device.lay(name, image)
        for waiting in (component.staging, component.keep):
            if waiting is not None and rng.random() < 0.5:
                device.lay(waiting, forger.image(component.run[0]))
    if rng.random() < 0.9:
        slot = of.slot_holding("records")
        assert slot is not None
        unit = of.memories[slot.memory].write_unit
        data = place_content(forger.record({n: device.slot(n) for n in of.slots}), of.numbers, unit)
        assert len(data) >= 3 * record_bytes(len(of.numbers))
        device.lay(slot.name, data)


def adversary(
    name: str,
    programs: Programs,
    always: Programs,
    seed: int,
    cases: int,
    note: Callable[[str], None] = lambda _what: None,
) -> str | None:
    """Attack a device between its boots; None, or how it started what a boot with signatures would not have.

    `always` are the programs of a device that verifies at each boot.
    """
    for number in range(cases):
        rng = random.Random(f"{name} {seed} {number}")
        device, forger = board(name), Forger(name, rng)
        device.boot(programs)
        for turn in range(rng.randrange(1, 4)):
            attack(device, forger)
            with_signatures = device.twin().boot(always).started
            said = device.boot(programs)
            if said.started != with_signatures:
                return f"{name}, case {number}, turn {turn}: {said.started} and not {with_signatures}"
            started = said.started
            by_mark = started is not None and any(m.statement not in said.verified for m in started.members.values())
            note("reset" if started is None else started.what + (" by mark" if by_mark else ""))
    return None
