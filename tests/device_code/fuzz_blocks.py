"""Differential fuzzing of what nobody signs, and of keys of maps: authentication blocks, and CBOR keys of every kind.

    python tests/device_code/fuzz_blocks.py --count 100000 --seed 1

Blocks are generated, not mutated: who signs, which algorithm it says, protected and unprotected header, how many and how large. A table
says what each has to be, and `expected` what follows from the table: Python and C have to say that, and so each other's.
Odd keys are put into every map of a package, those inside byte strings too, beside the keys that are there and in their place.
"""

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "kit"))

from batch import DATA
from block_cases import IDLE_CODE, with_blocks
from c_package import judge_package
from fuzz import DisagreementError, any_fast_signer
from fuzz_package import OUTSIDE, PackageFuzzer
from odd_keys import ODD
from run_python import verdict_of
from workshop import any_public, repacked

from imgseal.findings import Finding
from imgseal.formats.cbor.strict import ARRAY, BSTR, MAP, TAG, CborError, bstr_head, decode, encode, read_head, scan
from imgseal.formats.cose.sign1 import to_be_signed
from imgseal.formats.suit.envelope import decode_envelope, wrapped_digest
from imgseal.limits import BLOCK_BYTES, BLOCKS, MANIFEST_BYTES
from imgseal.records import NamedTuple

_Value = TypeVar("_Value")
PRODUCTS = ("kit", "kit-two-packers", "kit-es256", "kit-uncounted", "kit-two-algorithms", "kit-second-optional")
MAKERS = (
    *["keys/packages"] * 6, *["keys/packages-pq"] * 4, "keys/second-packages", "keys/second-packages", "keys/images", "keys-dev/packages",
    "somebody", "somebody", "somebody-pq", "",
)  # fmt: skip
NUMBERS = (-35, -49, -65999, 5, 0, -(1 << 32), (1 << 32) - 1)
"""Algorithms that nothing here verifies; 0 and 5 are none that sign."""


class Made(NamedTuple):
    """A block, and what the generator knows of it."""

    data: bytes
    plain: bool
    algorithm: int
    maker: str


def made(rng: random.Random, digest: bytes, known: dict[tuple[str, bytes], bytes], *, es256: bool, odd: float) -> Made:
    """One block, with `odd` the share of odd ones; a maker's signature is over the headers as they are, so that nothing else is wrong with it."""
    maker = rng.choice(MAKERS)
    own = -48 if maker.endswith("-pq") else -7 if es256 else -9
    algorithm = own if maker and rng.random() < 0.9 else rng.choice((*NUMBERS, -7, -9, -48))
    protected, plain = encode({1: algorithm}), True
    if rng.random() < odd:
        protected, plain = rng.choice(_protected(algorithm)), False
    unprotected = b"\xa0"
    if rng.random() < odd:
        unprotected, plain = rng.choice(_unprotected(rng)), False
    signature = b"" if maker else rng.randbytes(rng.choice((0, 1, 63, 64, 65, 96, 2420, 4627, 4700)))
    if maker and (maker, protected) not in known:
        known[maker, protected] = any_fast_signer(maker).sign(to_be_signed(protected, digest))
    if maker:
        signature = known[maker, protected]
        if algorithm not in ((-48,) if own == -48 else (-7, -9)):  # ES256 and ESP256 are one computation
            maker = ""
    if not maker and rng.random() < 0.08:
        signature = bytes(rng.choice((4760, 4782, 4783, 4784, 4785, 4786, 4787, 4800, 6000)))
    data = b"\xd2\x84" + encode(protected) + unprotected + b"\xf6" + encode(signature)
    if rng.random() < odd / 3:
        nothing = data.replace(b"\xa0\xf6", b"\xa1\xf6", 1)  # a map that ends where its first entry should begin
        data, plain = (
            rng.choice((nothing, data[1:], b"\xd1" + data[1:], data + b"\0", data[:-1], b"\xd2\x83" + data[2:])),
            False,
        )
    return Made(data, plain and len(data) <= BLOCK_BYTES, algorithm, maker)


def _protected(algorithm: int) -> list[bytes]:
    """Other protected headers, signed as they are."""
    one = b"\x01" + encode(algorithm)
    odd = [b"\xa1" + key + encode(algorithm) for key in ODD.values()]
    beside = [b"\xa2" + b"".join(sorted((one, key + b"\x00"))) for key in ODD.values()]
    fixed = [
        b"",
        b"\xa0",
        b"\xa1" + one + b"\0",
        b"\x81\x01",
        encode({1: algorithm, 4: b"kid"}),
        encode({1: -(1 << 40)}),
        encode({1: 1 << 63}),
    ]
    return [*odd, *beside, *fixed, b"\xa1\x01" + encode("ESP256"), b"\xa2\x04\x40" + one, encode({1: algorithm, 2: [1]}), encode({1: True})]  # fmt: skip


def _unprotected(rng: random.Random) -> list[bytes]:
    """Anything but the empty map."""
    odd = [b"\xa1" + key + b"\x00" for key in ODD.values()]
    stuffing = encode({rng.randrange(-70000, 70000) or 4: rng.randbytes(rng.choice((0, 1, 40, 3000)))})
    return [
        *odd,
        stuffing,
        encode({4: b"kid"}),
        encode({1: -9}),
        encode({"a": "b"}),
        b"\x80",
        b"\xf6",
        b"\x40",
        b"\x00",
    ]


def expected(blocks: list[Made], of: dict[str, object], uncounted: set[str]) -> tuple[str, bool]:
    """Return the first code of both, accepted or not; and whether the desk finds blocks that count for nothing."""
    if len(blocks) > BLOCKS or sum(len(encode(block.data)) for block in blocks) + 41 > MANIFEST_BYTES:
        return "structure.envelope", False
    if not blocks:
        return "trust.no-signature", False
    if not all(block.plain for block in blocks):
        return "structure.envelope", False
    algorithms = {"ESP256": -9, "ES256": -7, "ML-DSA-44": -48}
    listed = {algorithms[name] for name in of["package_algorithms"]}  # type: ignore[attr-defined]
    if not any(block.algorithm in listed for block in blocks):
        return "trust.algorithm-not-allowed", False
    trusted = {any_public(name).key_id.hex(): name for name in {*MAKERS, "keys/other-packages"} if name}
    counted = {
        trusted[a["key_id"]]
        for a in of["anchors"]  # type: ignore[attr-defined]
        if a["role"] == "packages" and not a["development"] and a["key_id"] in trusted
    }
    signers: set[str] = set()
    idle, left = False, set(uncounted)
    es384 = 1 if "ES384" in of["unverified"] else 0  # type: ignore[operator]
    for block in blocks:
        if block.algorithm in listed and block.maker in counted - signers:
            signers.add(block.maker)
        elif block.maker in left:
            left.remove(block.maker)
        elif block.algorithm == -35 and es384:
            es384 -= 1
        else:
            idle = True
    for name in of["must_verify"]:  # type: ignore[attr-defined]
        mine = {maker for maker in signers if maker.endswith("-pq") == (name == "ML-DSA-44")}
        if len(mine) < of["need"]["packages"]:  # type: ignore[index]
            return "not enough", False
    return "accepted", idle


class BlockFuzzer:
    """The good package of each product, and readers in C for them."""

    def __init__(self, folder: Path, flags: tuple[str, ...] = ("-O2",), products: tuple[str, ...] = PRODUCTS) -> None:
        self.of = {}
        for name in products:
            fuzzer = PackageFuzzer(folder / name, flags, name)
            case = next((case for case in fuzzer.good if "device" not in case), {"product": name, "artefact": _KIT})
            raw = (DATA / case["artefact"]).read_bytes()
            known: dict[tuple[str, bytes], bytes] = {}
            self.of[name] = fuzzer, raw, decode_envelope(raw).digest_bytes, known

    def one(self, rng: random.Random, counts: Counter[str]) -> None:
        name = rng.choice(list(self.of))
        fuzzer, raw, digest, known = self.of[name]
        number = rng.choice((0, 1, 1, 2, 2, 2, 3, 3, 4, 5, 8, 13, 15, 16, 17, 30))
        odd = rng.choice((0, 0, 0.1))
        blocks = [made(rng, digest, known, es256=name == "kit-es256", odd=odd) for _ in range(number)]
        code, idle = expected(blocks, fuzzer.fuzzer.values, _NAMED.get(name, set()))
        data = with_blocks(raw, *(block.data for block in blocks))
        found = [finding.code for finding in self.python(name, data)]
        said = judge_package(fuzzer.fuzzer, data, {"product": name}, {})
        few = ("trust.too-few-signatures", "signature.wrong-key", "signature.malformed")
        agree = (found == ([IDLE_CODE] * len(found)), said) == (True, code) and bool(found) == idle
        if code == "not enough":
            agree = said in few and found[0] == said
        elif code != "accepted":
            agree = (found[:1], said) == ([code], code)
        counts[f"{said}{' (idle blocks)' if idle else ''}"] += 1
        if not agree:
            raise DisagreementError(
                f"{name}: expected {code}, idle {idle}; Python {found}, C {said}; {data[:4000].hex()}"
            )

    def python(self, name: str, data: bytes) -> tuple[Finding, ...]:
        fuzzer = self.of[name][0].fuzzer
        verdict = verdict_of(fuzzer.of, data, payload=None, slot=None, device=None, held={}, development=False)
        assert verdict.accepted == (not verdict.findings)
        return verdict.findings


_KIT = "artefacts/package-good.bin"
_NAMED = {"kit-uncounted": {"keys/second-packages", "keys/packages-pq"}}


def odd_maps(data: bytes) -> Iterator[bytes]:
    """Yield an encoded item with an odd key in one of its maps: beside the others, in place of the first, and with its value."""
    head = read_head(data, 0, "item")
    if head.major == BSTR:
        inner = data[head.end :]
        if len(inner) > 2 and inner[0] >> 5 in (ARRAY, MAP) and _reads(inner):
            yield from (bstr_head(len(each)) + each for each in odd_maps(inner))
    elif head.major in (ARRAY, TAG):
        parts = _parts(data, head.end, head.argument if head.major == ARRAY else 1)
        for at, part in enumerate(parts):
            for each in odd_maps(part):
                yield data[: head.end] + b"".join(parts[:at]) + each + b"".join(parts[at + 1 :])
    elif head.major == MAP:
        parts = _parts(data, head.end, 2 * head.argument)
        entries = list(zip(parts[::2], parts[1::2], strict=True))
        for key in ODD.values():
            yield _map([*entries, (key, b"\x00")])
            if entries:
                yield _map([*entries, (key, entries[0][1])])
                yield _map([*entries[1:], (key, entries[0][1])])
        for at, (key, value) in enumerate(entries):
            for each in odd_maps(value):
                yield _map([*entries[:at], (key, each), *entries[at + 1 :]])


def _reads(data: bytes) -> bool:
    try:
        decode(data, "inside", tags=frozenset({18}))
    except CborError:
        return False
    return True


def _parts(data: bytes, at: int, count: int) -> list[bytes]:
    parts = []
    for _ in range(count):
        end = scan(data, at, "part", tags=frozenset({18}))
        parts.append(data[at:end])
        at = end
    return parts


def _map(entries: list[tuple[bytes, bytes]]) -> bytes:
    size = len(entries)
    head = bytes([0xA0 | size]) if size < 24 else bytes([0xB8, size])
    return head + b"".join(key + value for key, value in sorted(entries))


def _always(value: _Value) -> Callable[[object], _Value]:
    return lambda _: value


def odd_packages(raw: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield every package with one odd key: where, and the bytes; all is signed that would be signed."""
    envelope = decode_envelope(raw)
    for each in odd_maps(envelope.blocks[0]):
        yield "block", with_blocks(raw, each)
    for each in odd_maps(envelope.manifest):
        yield "manifest", repacked(raw, _always(each))
    for label, name in ((20, "install"), (23, "text")):
        old = wrapped_digest(envelope.severed[label]).value
        for each in odd_maps(envelope.severed[label]):
            manifest = envelope.manifest.replace(old, wrapped_digest(each).value)
            yield name, repacked(raw, _always(manifest), severed=_always({**envelope.severed, label: each}))
    start = read_head(raw, 2, "envelope")
    for key in ODD.values():
        entry = key + b"\x41\x00"
        yield "envelope", raw[:2] + bytes([raw[2] + 1]) + entry + raw[start.end :]
        yield "envelope", raw[:2] + bytes([raw[2] + 1]) + raw[start.end :] + entry


def odd_keys(fuzzer: BlockFuzzer, name: str = "kit") -> Counter[str]:
    """Judge each: Python refuses all; C those that it reads. The text is the desk's to read: no device looks into it."""
    counts: Counter[str] = Counter()
    good, raw, _, _ = fuzzer.of[name]
    for where, data in odd_packages(raw):
        found = fuzzer.python(name, data)
        said = judge_package(good.fuzzer, data, {"product": name}, {})
        code = found[0].code if found else "accepted"
        agree = said == "accepted" if where == "text" else said in (code, OUTSIDE)
        if not code.startswith("structure.") or not agree:
            raise DisagreementError(f"{where}: Python {code}, C {said}; {data[:3000].hex()}")
        counts[f"{where}: {code}, C {said}"] += 1
    return counts


def many(fuzzer: BlockFuzzer, count: int, seed: int) -> Counter[str]:
    rng, counts = random.Random(seed), Counter[str]()
    for _ in range(count):
        fuzzer.one(rng, counts)
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        fuzzer = BlockFuzzer(Path(name))
        odd = odd_keys(fuzzer)
        counts = many(fuzzer, arguments.count, arguments.seed)
    print(
        f"{odd.total()} odd keys; {arguments.count} packages with generated blocks, seed {arguments.seed}: Python, C and the"
    )
    print(f"table agree ({time.perf_counter() - began:.0f} s)")
    for code, count in [*sorted(odd.items()), *sorted(counts.items())]:
        print(f"  {code:<60}{count:>8}")


if __name__ == "__main__":
    main()
