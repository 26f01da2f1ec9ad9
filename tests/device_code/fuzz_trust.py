"""Differential fuzzing of trust anchor updates: mutants through the Python judge and through seal_trust.c.

    python tests/device_code/fuzz_trust.py --count 100000 --seed 1

A mutant is a set that was changed as a whole or by its bytes, signed most times by a key that may, against one of several
held sets, on a device that runs one of several sets of images. The first code of both has to be the same.
"""

import argparse
import random
import shutil
import struct
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "kit"))
sys.path.insert(0, str(Path(__file__).parents[1] / "rehearse"))

from anchor_cases import ENTRY, HEAD, anchor, following, signed
from anchor_cases import factory as factory_set
from batch import product
from c_build import SOURCES
from c_trust import Device, Slots, TrustLibrary
from fuzz import DisagreementError
from image_cases import device as device_of
from image_cases import held as slots_held
from kit_base import text_of
from run_python import product_of, verdict_of
from trust_batch import runs
from workshop import public_key, resealed

from imgseal.formats.trust_anchors.codec import (
    DELIVERIES,
    IMAGES,
    MAGIC,
    PACKAGES,
    AnchorSet,
    decode_update,
    encode_set,
)

KIT = "kit-apex"
NAMES = ("keys/images", "keys/second", "keys/radio-only", "keys/packages", "keys/second-packages", "keys/apex", "keys/contingency",
         "keys/apex-2", "stranger", "another")  # fmt: skip
SIGNERS = (*["keys/apex"] * 12, *["keys/contingency"] * 5, "stranger", "keys/images", "keys/apex-2")
TRIAL: dict[str, Any] = {
    "sequence": 9, "manifest_digest": "00" * 32, "way_back": True, "attempts_left": 2, "power_ons_left": 20, "previous": {}, "kept": [],
}  # fmt: skip
NUMBERS = (0, 1, 2, 3, 4, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)
MASKS = (0, 1, 2, 3, 4, 8, 16, 31, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)


def point_of(name: str) -> bytes:
    key = public_key(name)
    return key.x + key.y


class TrustFuzzer:
    """The compiled library, held sets, and sets of images."""

    def __init__(self, folder: Path, flags: tuple[str, ...] = ("-O2",), sources: Path = SOURCES) -> None:
        self.of, self.folder = product_of(KIT, text_of(KIT)), folder
        self.values = product(KIT)
        self.library = TrustLibrary(self.of, folder, sources, flags)
        gone = public_key("keys/images").key_id
        rotated = following(
            number=2, anchors=tuple(a for a in following().anchors if a.key_id != gone), revoked=(gone,)
        )
        spare = public_key("keys/contingency-2").thumbprint
        self.held = [
            signed(each)
            for each in (
                factory_set(), following(), rotated, following(number=3, revoked=tuple(sorted(public_key(n).key_id for n in ("gone-1", "gone-2", "gone-3")))),
                following(number=0x80000000), following(contingency=bytes(32)), following(apex=bytes(64), contingency=bytes(32)),
                following(apex=point_of("keys/apex-2"), contingency=spare), following(number=0xFFFFFFFF),
            )
        ]  # fmt: skip
        before = slots_held()
        self.images = [before]
        for by in (
            ("keys/second",),
            ("keys/images", "keys/second"),
            ("keys/radio-only",),
            ("stranger",),
            ("keys/packages",),
        ):
            self.images.append({slot: _signed_again(data, by) for slot, data in before.items()})
        self.images.append({**before, "radio": b"\xff" * len(before["radio"])})
        self.images.append({**before, "radio": self.images[1]["radio"], "table": self.images[3]["table"]})
        self.images.append({**before, "radio": before["radio"][:400] + b"\0" + before["radio"][401:]})

    def one(self, rng: random.Random, counts: Counter[str]) -> None:
        """One mutant: judge it twice and compare."""
        held = rng.choice(self.held)
        raw = mutant(decode_update(held).anchors, rng)
        state = device_of(trial=TRIAL) if rng.random() < 0.05 else device_of() if rng.random() < 0.5 else None
        slots = rng.choice(self.images) if state else {}
        verdict = verdict_of(
            self.of, raw, payload=None, slot=None, device=state, held=slots, development=False, anchors=held
        )
        told = "accepted" if verdict.accepted else verdict.findings[0].code
        if raw[: len(MAGIC)] != MAGIC:
            told = "structure.trust-set"  # the tool takes it for something else
        said = self.judge(raw, held, state, slots)
        counts[told] += 1
        if said != told:
            path = self.folder / "disagreement.trust"
            path.write_bytes(raw)
            raise DisagreementError(f"Python {told}, C {said}; held {self.held.index(held)}, device {state}; {path}")

    def judge(self, raw: bytes, held: bytes, state: dict[str, Any] | None, slots: dict[str, bytes]) -> str:
        return self.judge_against(raw, encode_set(decode_update(held).anchors), runs(self.values, state), slots)

    def judge_against(self, raw: bytes, held: bytes, running: tuple[bytes, bool], slots: dict[str, bytes]) -> str:
        """What C says of an update on a device with this set, these run slots and this content of slots."""
        library = self.library
        library.start(Device(Slots(self.of, slots)), 0, 0)
        library.hold(held)
        library.running(running[0], settled=running[1])
        return library.say("judge", raw, len(raw))


def _signed_again(data: bytes, by: tuple[str, ...]) -> bytes:
    """A slot's content, signed by others; what is no image stays as it is."""
    return resealed(data, by=by) if data[:1] == b"\xd5" else data


def mutant(held: AnchorSet, rng: random.Random) -> bytes:
    """An update that is right against the held set, or changed in one or two ways."""
    base = held if rng.random() < 0.7 else following()
    new = base._replace(number=min(held.number + rng.choice((0, 1, 1, 1, 2)), 0xFFFFFFFF))
    by = rng.choice(SIGNERS)
    if by == "keys/contingency" and rng.random() < 0.7:
        new = new._replace(apex=point_of("keys/apex-2"), contingency=public_key("keys/contingency-2").thumbprint)
    if held.apex == point_of("keys/apex-2"):
        by = "keys/apex-2" if rng.random() < 0.8 else by
    for _ in range(rng.choice((0, 1, 1, 2, 3))):
        new = _change_set(new, rng)
    try:
        content = bytearray(encode_set(new))
    except struct.error:
        content = bytearray(encode_set(held))
    if rng.random() < 0.25:
        _change_bytes(content, rng)
    raw = bytearray(signed(bytes(content), by=by))
    kind = rng.random()
    if kind < 0.05:
        raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
    elif kind < 0.08:
        raw[-rng.randrange(1, 129)] ^= 1 << rng.randrange(8)
    elif kind < 0.11:
        at = rng.choice((32, 64))
        raw[len(raw) - at : len(raw) - at + 32] = rng.choice((bytes(32), b"\xff" * 32, bytes(31) + b"\x01"))
    elif kind < 0.13:
        return bytes(raw[: rng.randrange(len(raw))])
    elif kind < 0.15:
        raw += rng.randbytes(rng.choice((1, 16, 64, 88, 4000)))
    elif kind < 0.2:
        raw[-128:-64] = rng.choice((bytes(64), held.apex, held.apex, rng.randbytes(64)))
    return bytes(raw)


def _change_set(new: AnchorSet, rng: random.Random) -> AnchorSet:
    anchors, choice = list(new.anchors), rng.randrange(13)
    index = rng.randrange(len(anchors)) if anchors else 0
    if choice == 0 and anchors:
        del anchors[index]
    elif choice == 1:
        role, mask = rng.choice((IMAGES, PACKAGES, DELIVERIES)), 0xFFFFFFFF
        anchors.append(
            anchor(role, rng.choice(NAMES), rng.choice(MASKS) if role == IMAGES and rng.random() < 0.5 else mask)
        )
    elif choice == 2 and anchors:
        anchors[index] = anchors[index]._replace(components=rng.choice(MASKS))
    elif choice == 3 and anchors:
        anchors[index] = anchors[index]._replace(role=rng.choice((0, 1, 2, 3, 4)))
    elif choice == 4:
        anchors += [anchor(IMAGES, f"many-{n}") for n in range(rng.choice((5, 27, 28, 29, 30)))]
    elif choice == 5:
        return new._replace(need_images=rng.choice((0, 1, 2, 3, 255)), need_packages=rng.choice((0, 1, 1, 1, 2)))
    elif choice in (6, 7):
        gone = {*new.revoked, *(public_key(rng.choice(NAMES)).key_id for _ in range(rng.choice((1, 2))))}
        if rng.random() < 0.6:
            anchors = [each for each in anchors if each.key_id not in gone]
        return new._replace(revoked=tuple(sorted(gone)), anchors=tuple(anchors))
    elif choice == 8:
        many = {*new.revoked, *(public_key(f"gone-{n}").key_id for n in range(rng.choice((3, 30, 32, 33))))}
        return new._replace(revoked=tuple(sorted(many)))
    elif choice == 9:
        return new._replace(revoked=new.revoked[1:])
    elif choice == 10:
        return new._replace(apex=rng.choice((bytes(64), *map(point_of, NAMES), bytes(63) + b"\x01")))
    elif choice == 11:
        return new._replace(contingency=rng.choice((bytes(32), *(public_key(name).thumbprint for name in NAMES))))
    else:
        return new._replace(number=rng.choice(NUMBERS))
    return new._replace(anchors=tuple(anchors))


def _change_bytes(content: bytearray, rng: random.Random) -> None:
    keys = int.from_bytes(content[10:12], "little")
    places = [
        (at, size)
        for at, size in ((8, 2), (10, 2), (12, 4), (16, 1), (17, 1), (18, 2), (20, 16), (36, 16), (52, 64), (116, 32))
    ]
    for index in range(min(keys, 32)):
        start = HEAD + ENTRY * index
        places += [(start, 1), (start + 1, 3), (start + 4, 4), (start + 8, 16), (start + 24, 64)]
    if len(content) > HEAD + ENTRY * keys:
        places.append((HEAD + ENTRY * keys, len(content) - HEAD - ENTRY * keys))
    choice = rng.random()
    if choice < 0.3 and keys > 1:  # entries in another order, or one twice
        a, b = (HEAD + ENTRY * rng.randrange(keys) for _ in range(2))
        one, other = bytes(content[a : a + ENTRY]), bytes(content[b : b + ENTRY])
        content[a : a + ENTRY], content[b : b + ENTRY] = other, one if rng.random() < 0.5 else other
    elif choice < 0.4:
        content += bytes(rng.choice((1, 16, 88)))
    elif choice < 0.45:
        del content[-rng.choice((1, 16, 88)) :]
    else:
        at, size = rng.choice(places)
        where = at + rng.randrange(size)
        if where < len(content):
            content[where] = (
                content[where] ^ 1 << rng.randrange(8) if rng.random() < 0.6 else rng.choice((0, 1, 2, 33, 255))
            )


def many(fuzzer: TrustFuzzer, count: int, seed: int) -> Counter[str]:
    """Try so many mutants; DisagreementError ends it."""
    rng, counts = random.Random(seed), Counter[str]()
    for _ in range(count):
        fuzzer.one(rng, counts)
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    began = time.perf_counter()
    folder = Path(tempfile.mkdtemp())  # stays where there is a disagreement in it
    counts = many(TrustFuzzer(folder), arguments.count, arguments.seed)
    shutil.rmtree(folder)
    print(f"{arguments.count} updates, seed {arguments.seed}: Python and C agree ({time.perf_counter() - began:.0f} s)")
    for code, count in sorted(counts.items()):
        print(f"  {code:<36}{count:>8}")


if __name__ == "__main__":
    main()
