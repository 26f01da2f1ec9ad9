"""Differential fuzzing: mutated sealed images, dumps, device states and install records through Python and C.

    python tests/device_code/fuzz.py --count 1000000 --seed 1
    python tests/device_code/fuzz.py --count 100000 --seed 1 --product kit-two-algorithms

Mutants are made from the kit's cases. Most are signed again after the change, so that later checks are reached. The first code of
both has to be the same; a disagreement ends the run and is written beside the kit's artefacts. What the tool knows more than a device
(keys that everybody has, files too short for a magic) is translated, as in the kit.
"""

import argparse
import ctypes as c
import functools
import hashlib
import random
import struct
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "kit"))
sys.path.insert(0, str(Path(__file__).parents[1] / "rehearse"))

from batch import DATA, counters, is_image, load, place_of, product, versions
from c_boot import CODE, Crypto, CryptoInPython
from c_build import HERE, SOURCES, compiled, run, write_config
from kit_base import text_of
from run_python import product_of, verdict_of
from second_library import seed_of
from workshop import QUANTUM, signer

from imgseal.formats.install_record.layout import FIELDS as RECORD_FIELDS
from imgseal.formats.install_record.record import PHASES, decode, encode, first_record
from imgseal.formats.sealed_image.layout import FIELDS, SIGNATURE_BYTES, STATEMENT_BYTES
from imgseal.keys.mldsa44 import MlDsa44Signer, from_seed
from imgseal.keys.public_key import SEALED_NUMBERS
from imgseal.keys.signer import Signer
from imgseal.product.algorithms import ML_DSA_44

NAMES = {value: name for name, value in CODE.items()}
KIT = "kit"
KEYS = ("keys/images", "keys/radio-only", "keys/other-class", "keys-dev/images", "somebody")
PAIRS = (
    *[("keys/images", "keys/images-pq")] * 8, *[("keys-dev/images", "keys-dev/images-pq")] * 2, ("keys/images-pq", "keys/images"),
    ("keys/images",), ("keys/images-pq",), ("keys/images", "keys/table-only-pq"), ("keys/table-only-pq", "keys/images"),
    ("keys/images", "somebody-pq"), ("somebody", "keys/images-pq"), ("somebody", "somebody-pq"), ("keys/images", "keys-dev/images-pq"),
    ("keys-dev/images", "keys/images-pq"), ("keys/images", "keys/packages-pq"), ("keys/images", "somebody", "keys/images-pq"),
)  # fmt: skip
"""Who signs where there are two algorithms."""
EDGES = (0, 1, 2, 3, 4, 5, 6, 7, 8, 63, 64, 65, 127, 128, 255, 256, 383, 384, 511, 512, 513, 8192, 0x4200, 0x4A00, 0x5200, 0x7FFFFFFF,
         0x80000000, 0xFFFFFFF7, 0xFFFFFFFE, 0xFFFFFFFF)  # fmt: skip


class Version(c.Structure):
    _fields_ = (("component", c.c_uint8), ("bytes", c.c_uint8 * 16))


class CaseState(c.Structure):
    _fields_ = (
        *((name, c.c_uint32) for name in (
            "hardware_least", "hardware_most", "whole_set", "development", "header_only", "where", "component", "run_slot",
            "version_count", "revoked_count", "counter_count",
        )),
        ("versions", Version * 8), ("revoked", (c.c_uint8 * 16) * 4), ("counters", (c.c_uint32 * 2) * 8),
    )  # fmt: skip


class DisagreementError(Exception):
    """Python and C say different things."""


class Fuzzer:
    """The compiled library and the kit's seeds."""

    def __init__(
        self, folder: Path, flags: tuple[str, ...] = ("-O2",), name: str = KIT, sources: Path = SOURCES,
        rules: Callable[[str], str] = lambda text: text,
    ) -> None:  # fmt: skip
        """`rules` changes the product's text, for rules that no product of the kit has."""
        self.of = product_of(name, rules(text_of(name)))
        self.values = product(name)
        write_config(self.of, folder)
        target = folder / "fuzz.so"
        compiler = ("gcc", "-std=c99", "-w", *flags, "-DSEAL_PIECE=1024u", "-fPIC")
        objects = (
            *(compiled(compiler, folder, sources / name) for name in ("seal_image.c", "seal_package.c")),
            compiled(compiler, folder, HERE / "fuzz_record.c", f"-I{sources}"),
        )
        run([*compiler, "-shared", f"-I{folder}", f"-I{sources}", *objects, HERE / "fuzz_shim.c", "-o", target])
        self.library = c.CDLL(str(target))
        self.library.fuzz_judge.restype = c.c_uint32
        self._crypto = CryptoInPython()  # kept: C calls it
        self.crypto: Crypto = self._crypto.crypto
        self.second = ML_DSA_44 in self.of.rules.kinds
        self.seeds = [case for case in load() if is_image(case) and case["product"] == name]
        self.blobs = {p: (DATA / p).read_bytes() for case in self.seeds for p in _paths(case)}

    def one(self, rng: random.Random, counts: Counter[str]) -> None:
        """One mutant: judge it twice and compare."""
        case = rng.choice(self.seeds)
        image = self.blobs[case["artefact"]]
        payload = self.blobs.get(case.get("payload", ""))
        held = {slot: self.blobs[path] for slot, path in case.get("held", {}).items()}
        device = case.get("device")
        slot = case.get("slot")
        development = case.get("development", rng.random() < 0.1)
        if self.second:
            image, payload = mutate(image, payload, rng, sign_twice, image[292] | image[293] << 8)
        else:
            image, payload = mutate(image, payload, rng)
        if rng.random() < 0.25:
            device = mutate_device(device, rng)
        if rng.random() < 0.15:
            slots = ("app-a", "app-b", "radio", "table", "radio-keep", None)
            slot = rng.choice([name for name in slots if name is None or name in self.of.slots])
            if slot is not None and rng.random() < 0.8:
                image = image.ljust(self.of.slots[slot].size, b"\xff")
        if image[:2] == b"\xd8\x6b":
            return
        verdict = verdict_of(
            self.of, image, payload=payload, slot=slot, device=device, held=held, development=development
        )
        told = "accepted" if verdict.accepted else verdict.findings[0].code
        if told == "structure.unrecognised" and len(image) < 384:
            told = "structure.truncated"
        if told == "trust.example-key":
            told = "trust.unknown-key"
        said = self.judge(image, payload, slot, device, held, development=development)
        counts[told] += 1
        if said != told:
            path = DATA / "artefacts" / f"fuzz-{hashlib.sha256(image).hexdigest()[:12]}.bin"
            path.write_bytes(image)
            raise DisagreementError(f"{case['name']}: Python {told}, C {said}; slot {slot}, device {device}; {path}")

    def judge(
        self, image: bytes, payload: bytes | None, slot: str | None, device: dict[str, Any] | None, held: dict[str, bytes], *,
        development: bool,
    ) -> str:  # fmt: skip
        state = self.state(device, held, slot, development=development)
        code = self.library.fuzz_judge(
            c.byref(state), c.byref(self.crypto), image, len(image), payload, 0 if payload is None else len(payload)
        )
        return NAMES.get(code, hex(code))

    def state(
        self, device: dict[str, Any] | None, held: dict[str, bytes], slot: str | None, *, development: bool
    ) -> CaseState:
        """What a case's device brings to the judgement of an image."""
        state = CaseState()
        revision = (device or {}).get("hardware")
        state.hardware_least, state.hardware_most = (
            self.values["hardware"] if revision is None else (revision, revision)
        )
        state.whole_set, state.development = device is not None, development
        state.where, state.component, state.run_slot = place_of(self.values, slot)
        for index, (number, version) in enumerate(versions(self.values, device, held).items()):
            state.versions[index].component = number
            state.versions[index].bytes[:] = struct.pack("<4I", *version.words())
            state.version_count = index + 1
        for index, key in enumerate((device or {}).get("revoked", [])):
            state.revoked[index][:] = bytes.fromhex(key)
            state.revoked_count = index + 1
        for index, pair in enumerate(counters(self.values, device, held).items()):
            state.counters[index][:] = pair
            state.counter_count = index + 1
        return state

    def record(self, rng: random.Random, counts: Counter[str]) -> None:
        """One mutant of an install record: whether it is one."""
        raw = bytearray(encode(first_record({}, rng.randrange(9), None), self.of.numbers))
        raw[10] = rng.choice(list(PHASES))
        for _ in range(rng.choice((0, 1, 1, 2))):
            at = rng.choice(
                (
                    rng.randrange(len(raw)),
                    rng.choice(RECORD_FIELDS).offset,
                    240 + 36 * rng.randrange(10) + rng.randrange(5),
                )
            )
            raw[at % len(raw)] = rng.choice((0, 1, 2, 3, 4, 5, 7, 8, 255, rng.randrange(256)))
        if rng.random() < 0.9:
            raw[-32:] = hashlib.sha256(raw[:-32]).digest()
        told = decode(bytes(raw), self.of.numbers) is not None
        said = bool(self.library.fuzz_record(c.byref(self.crypto), c.create_string_buffer(bytes(raw), len(raw))))
        counts[f"record {'taken' if told else 'refused'}"] += 1
        if said != told:
            raise DisagreementError(f"record {bytes(raw).hex()}: Python {told}, C {said}")


def _paths(case: dict[str, Any]) -> list[str]:
    return [case["artefact"], *([case["payload"]] if "payload" in case else []), *case.get("held", {}).values()]


def sign_once(raw: bytearray, rng: random.Random) -> None:
    """A P-256 signature over the statement, in the first place."""
    key = signer(rng.choice(KEYS) if rng.random() < 0.3 else "keys/images")
    if rng.random() < 0.8:
        raw[304:320] = key.public.key_id
    raw[384:448] = key.sign(bytes(raw[:384]))


@functools.cache
def any_fast_signer(name: str) -> Signer:
    """A key that follows from its name, and a library that is fast."""
    return MlDsa44Signer(from_seed(seed_of(name)), name) if name.endswith(QUANTUM) else signer(name)


def sign_twice(raw: bytearray, rng: random.Random) -> None:
    """Signatures by some of both algorithms; most times the slots say so, sometimes a bit of a value is another one."""
    signers = [any_fast_signer(name) for name in rng.choice(PAIRS)]
    if rng.random() < 0.8:
        slots = b""
        for one in signers:
            number = SEALED_NUMBERS[one.public.kind]
            slots += struct.pack("<i16sHH", number, one.public.key_id, SIGNATURE_BYTES[number], 0)
        raw[300:372] = slots.ljust(72, b"\0")
    end = int.from_bytes(raw[292:294], "little")
    values = b"".join(one.sign(bytes(raw[:STATEMENT_BYTES])) for one in signers)
    values = values.ljust(max(0, end - STATEMENT_BYTES), b"\xff")
    raw[STATEMENT_BYTES : STATEMENT_BYTES + len(values)] = values
    if rng.random() < 0.15:
        raw[STATEMENT_BYTES + rng.randrange(len(values))] ^= 1 << rng.randrange(8)


def mutate(
    image: bytes, payload: bytes | None, rng: random.Random, sign: Callable[[bytearray, random.Random], None] = sign_once,
    start: int = 512,
) -> tuple[bytes, bytes | None]:  # fmt: skip
    """Change an artefact, and most times sign it again. `start` is where most payloads begin."""
    raw = bytearray(image)
    kind = rng.random()
    if kind < 0.08:
        return image, payload
    if kind < 0.16:
        cut = rng.randrange(len(raw) + 1)
        return bytes(raw[:cut] if rng.random() < 0.5 else raw + rng.randbytes(rng.randrange(1, 9))), payload
    if payload and kind < 0.24:
        body = bytearray(payload)
        body[rng.randrange(len(body))] ^= 1 << rng.randrange(8)
        return image, bytes(body[: rng.randrange(len(body))] if rng.random() < 0.3 else body)
    if len(raw) < 512 or kind < 0.34:
        for _ in range(rng.choice((1, 1, 2))):
            if raw:
                raw[rng.randrange(min(len(raw), 900))] ^= 1 << rng.randrange(8)
        return bytes(raw), payload
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        field = rng.choice(FIELDS)
        at = field.offset + rng.randrange(field.size)
        choice = rng.random()
        if choice < 0.4:
            raw[at] ^= 1 << rng.randrange(8)
        elif choice < 0.6:
            raw[at] = rng.choice((0, 1, 2, 3, 255))
        else:
            width = min(4, field.size)
            start = field.offset + rng.randrange(0, field.size - width + 1, width)
            raw[start : start + width] = (rng.choice(EDGES) & ((1 << 8 * width) - 1)).to_bytes(width, "little")
    if rng.random() < 0.3 and len(raw) > start + 18:
        raw[start + rng.randrange(min(len(raw) - start, 80))] ^= 1 << rng.randrange(8)
        if rng.random() < 0.8:
            size = int.from_bytes(raw[280:284], "little")
            raw[248:280] = hashlib.sha256(raw[start : start + size]).digest()
    sign(raw, rng)
    return bytes(raw), payload


def mutate_device(device: dict[str, Any] | None, rng: random.Random) -> dict[str, Any]:
    """A device with other numbers."""
    out = dict(device or {"format": 1, "hardware": 3, "sequence": 9, "counters": {}, "bootloader": "1.1.0"})
    out["hardware"] = rng.choice((1, 2, 3, 4, 5, 65535))
    out["counters"] = {str(n): rng.choice((0, 1, 3, 5, 6, 0xFFFFFFFF)) for n in range(1, 6)}
    out["bootloader"] = rng.choice(("1.0.9", "1.1.0", "1.1.0-rc.1", "2.0.0", None))
    if rng.random() < 0.3:
        out["revoked"] = [signer(rng.choice(KEYS)).public.key_id.hex()]
        if rng.random() < 0.3:
            out["revoked"].append(any_fast_signer("keys/images-pq").public.key_id.hex())
    return out


def many(fuzzer: Fuzzer, count: int, seed: int) -> Counter[str]:
    """Try so many mutants; DisagreementError ends it."""
    rng, counts = random.Random(seed), Counter[str]()
    for number in range(count):
        if number % 8 == 7:
            fuzzer.record(rng, counts)
        else:
            fuzzer.one(rng, counts)
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--product", default=KIT)
    arguments = parser.parse_args()
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        counts = many(Fuzzer(Path(name), name=arguments.product), arguments.count, arguments.seed)
    print(f"{arguments.count} mutants, seed {arguments.seed}: Python and C agree ({time.perf_counter() - began:.0f} s)")
    for code, count in sorted(counts.items()):
        print(f"  {code:<36}{count:>8}")


if __name__ == "__main__":
    main()
