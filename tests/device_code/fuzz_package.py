"""Differential fuzzing of update packages: mutated envelopes, manifests and images through Python and C.

    python tests/device_code/fuzz_package.py --count 1000000 --seed 1
    python tests/device_code/fuzz_package.py --count 20000 --seed 1 --product kit-two-algorithms

The tool judges every build in a package, a device the one for its free slot. So for each mutant: what Python accepts, C accepts for either
slot that may be free; what Python refuses, C refuses for one of them. Where both name a fault, it is the same one unless the mutant has
several: a device reads the whole package before the images, the tool image by image. Those pairs are counted. What is outside the profile of
docs/format/package.md for C is so, or cannot be read, for Python.
"""

import argparse
import contextlib
import hashlib
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "kit"))
sys.path.insert(0, str(Path(__file__).parents[1] / "rehearse"))
sys.path.insert(0, str(Path(__file__).parents[1] / "properties"))

from batch import DATA, is_package, load
from c_build import SOURCES
from c_package import judge_package
from fuzz import KIT, DisagreementError, Fuzzer, any_fast_signer, mutate, sign_twice
from mutants import blind, edit, encode_safely
from run_python import verdict_of
from workshop import repacked

from imgseal.formats.cbor.strict import CborError, decode, encode
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.errors import SuitError

OUTSIDE = "rules.outside-profile"


class PackageFuzzer:
    """The compiled reader and the kit's good packages."""

    def __init__(
        self, folder: Path, flags: tuple[str, ...] = ("-O2",), name: str = KIT, sources: Path = SOURCES,
        rules: Callable[[str], str] = lambda text: text,
    ) -> None:  # fmt: skip
        self.fuzzer = Fuzzer(folder, flags, name, sources, rules)
        self.cases = [
            case
            for case in load()
            if is_package(case) and case["product"] == name and isinstance(case["artefact"], str)
        ]
        self.good = [case for case in self.cases if case["verdict"] == "accepted"]
        self.pairs: Counter[tuple[str, str]] = Counter()

    def one(self, rng: random.Random, counts: Counter[str], *, keep: bool = True) -> None:
        case = dict(rng.choice(self.good if rng.random() < 0.9 else self.cases))
        held = {slot: (DATA / path).read_bytes() for slot, path in case.get("held", {}).items()}
        data = mutant((DATA / case["artefact"]).read_bytes(), rng, second=self.fuzzer.second)
        if data[:2] != b"\xd8\x6b":
            return
        if rng.random() < 0.2:
            device = dict(
                case.get("device")
                or {
                    "format": 1,
                    "hardware": 3,
                    "sequence": 9,
                    "counters": {},
                    "bootloader": "1.1.0",
                    "authorised": True,
                }
            )
            device["sequence"] = rng.choice((0, 9, 10, 11))
            device["authorised"] = rng.random() < 0.7
            device["battery_mwh"] = rng.choice((None, 0, 499, 500, 900))
            device["counters"] = {str(n): rng.choice((0, 1, 3, 5, 6)) for n in range(1, 6)}
            device.pop("manifest_digest", None)
            case["device"] = device
        development = case.get("development", False)
        verdict = verdict_of(
            self.fuzzer.of, data, payload=None, slot=None, device=case.get("device"), held=held, development=development
        )
        # blocks that count for nothing: the one difference on purpose, idle-blocks of docs/format/package.md
        others = [each for each in verdict.findings if each.code != "trust.idle-block"]
        found = others[0] if others else None
        counts["(blocks that count for nothing)"] += len(others) < len(verdict.findings)
        accepted = verdict.accepted or (bool(verdict.findings) and found is None)
        told = "accepted" if accepted or found is None else found.code
        if found is not None and (found.place.key or "").startswith("text"):
            counts["(a text that no device reads)"] += 1
            return
        if told == "trust.example-key":
            told = "signature.wrong-key"
        said = [judge_package(self.fuzzer, data, case, held, other=other) for other in (False, True)]
        counts[told] += 1
        codes = {finding.code for finding in verdict.findings}
        if accepted:
            # a build for one slot is enough; which one is free on a fresh device is open
            agree = "accepted" in (said if case.get("device") is None else said[:1])
        elif OUTSIDE in said:
            # what the tool cannot read, a device may leave before it comes to the broken place
            agree = OUTSIDE in codes or any(code.startswith("structure.") for code in codes)
        elif told in said:
            agree = True
        else:
            agree = set(said) != {"accepted"}
            counts["(both refuse, by another name)"] += 1
            self.pairs[told, said[0] if said[0] != "accepted" else said[1]] += 1
        if not agree:
            path = DATA / "artefacts" / f"fuzz-{hashlib.sha256(data).hexdigest()[:12]}.suit"
            if keep:
                path.write_bytes(data)
            raise DisagreementError(f"{case['name']}: Python {told}, C {said}; device {case.get('device')}; {path}")


PAIRS = (
    *[("keys/packages", "keys/packages-pq")] * 12, ("keys/packages-pq", "keys/packages"), ("keys/packages",), ("keys/packages-pq",), (),
    ("somebody", "keys/packages", "somebody-pq", "keys/packages-pq"), ("somebody", "keys/packages-pq"), ("keys/packages", "somebody-pq"),
    ("keys-dev/packages", "keys-dev/packages-pq"), ("keys-dev/packages", "keys/packages-pq"), ("keys/packages", "keys-dev/packages-pq"),
    ("keys/packages", "keys/images-pq"), ("keys/packages", "keys/packages-pq", "keys/packages-pq"),
)  # fmt: skip
"""Who signs where there are two algorithms."""
ONES = (
    *[("keys/packages",)] * 12,
    ("somebody", "keys/packages"),
    ("keys/other-packages",),
    (),
    ("keys-dev/packages",),
)


def mutant(raw: bytes, rng: random.Random, *, second: bool = False) -> bytes:
    """A changed package; most are signed again."""
    kind = rng.random()
    if kind < 0.1:
        return raw
    if kind < 0.3:
        return blind(raw, rng)
    try:
        envelope = decode_envelope(raw)
    except SuitError:
        return blind(raw, rng)
    severed = dict(envelope.severed)
    payloads = {key: bytes(view) for key, view in envelope.payloads.items()}
    swaps: list[tuple[bytes, bytes]] = []
    if kind < 0.5 and payloads:
        key = rng.choice(sorted(payloads))
        image = payloads[key]
        changed, _ = (
            mutate(image, None, rng, sign_twice, image[292] | image[293] << 8) if second else mutate(image, None, rng)
        )
        swaps.append((hashlib.sha256(payloads[key]).digest(), hashlib.sha256(changed).digest()))
        payloads[key] = changed
    elif kind < 0.7 and severed:
        label = rng.choice(sorted(severed))
        before = severed[label]
        with contextlib.suppress(CborError):
            severed[label] = encode_safely(edit(decode(before, "member"), rng), before)
        swaps.append((hashlib.sha256(encode(before)).digest(), hashlib.sha256(encode(severed[label])).digest()))

    def manifest(data: bytes) -> bytes:
        if not swaps or rng.random() < 0.2:
            for _ in range(rng.choice((1, 1, 2))):
                with contextlib.suppress(CborError):
                    data = encode_safely(edit(decode(data, "manifest"), rng), data)
        if rng.random() < 0.9:
            for old, new in swaps:
                data = data.replace(old, new)
        return data

    by = rng.choice(PAIRS if second else ONES)
    return repacked(
        raw, manifest, by=by, severed=lambda _: severed, payloads=lambda _: payloads, signers=any_fast_signer
    )


def many(fuzzer: PackageFuzzer, count: int, seed: int, *, keep: bool = True) -> Counter[str]:
    """Try so many mutants; DisagreementError ends it."""
    rng, counts = random.Random(seed), Counter[str]()
    for _ in range(count):
        fuzzer.one(rng, counts, keep=keep)
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--product", default=KIT)
    arguments = parser.parse_args()
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        fuzzer = PackageFuzzer(Path(name), name=arguments.product)
        counts = many(fuzzer, arguments.count, arguments.seed)
    print(f"{arguments.count} mutants, seed {arguments.seed}: Python and C agree ({time.perf_counter() - began:.0f} s)")
    for code, count in sorted(counts.items()):
        print(f"  {code:<48}{count:>8}")
    for (told, said), count in fuzzer.pairs.most_common():
        print(f"  {told:<36}{said:<36}{count:>8}")


if __name__ == "__main__":
    main()
