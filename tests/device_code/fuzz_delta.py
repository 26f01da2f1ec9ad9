"""Mutated patches through both decoders: same verdict, and the same bytes though no digest is compared.

nice python tests/device_code/fuzz_delta.py --count 1000000 --seed 7 [--compiler clang]: the long run. Every tenth patch is
also pushed in pieces. The compiled decoder runs under sanitizers; its callbacks refuse reads outside and pages out of order.
"""

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "delta"))

from patch_batch import Answer, Case, apply, build, good
from small_pairs import pairs

from imgseal.check.patch import apply_patch
from imgseal.formats.delta.layout import PREAMBLE
from imgseal.make.delta.encode import encode

ENTRIES = 128
BATCH = 2000


class DisagreementError(AssertionError):
    """The two decoders do not say the same."""


def mutated(draw: random.Random, patch: bytes) -> bytes:
    """A patch with some of it changed: bits, bytes, ends, stretches of itself; in front and anywhere."""
    out = bytearray(patch)
    for _ in range(draw.choice((1, 1, 1, 2, 3, 8))):
        at = draw.randrange(len(out)) if out and draw.random() < 0.8 else draw.randrange(24)
        what = draw.randrange(8)
        if what < 3 and at < len(out):
            out[at] ^= 1 << draw.randrange(8)
        elif what == 3 and at < len(out):
            out[at] = draw.choice((0, 1, 0x7F, 0x80, 0xFF, draw.randrange(256)))
        elif what == 4:
            del out[at : at + draw.choice((1, 1, 4, 1000))]
        elif what == 5:
            out[at:at] = draw.randbytes(draw.choice((1, 1, 4, 40)))
        elif what == 6 and out:
            begin = draw.randrange(len(out))
            out[at : at + 8] = out[begin : begin + 8]
        else:
            out += bytes(draw.choice((1, 1, 5))) if draw.random() < 0.5 else b"\xff"
    return bytes(out)


def cases(seed: int) -> Iterator[Case]:
    """Mutants for ever: sixty of each pair, one of them untouched, sizes told wrong now and then."""
    draw = random.Random(seed)
    for pair in pairs(seed):
        if len(pair.new) > 1500 and draw.random() < 0.8:
            continue
        patch = encode(pair.old, pair.new, pair.frame, ENTRIES).data
        yield Case(pair.old, len(pair.new), patch, draw.choice((0, 1, 5, 64, 1000)))
        front = PREAMBLE[patch[0]]
        for i in range(60):
            size, old = len(pair.new), pair.old
            spoiled = patch[:front] + mutated(draw, patch[front:]) if i % 4 else mutated(draw, patch)
            if draw.random() < 0.03 and size > 1:  # a size that patch and manifest agree on, and the bytes do not
                size = draw.randrange(1, 2 * size)
                spoiled = patch[:1] + (size - 1).to_bytes(3, "big") + spoiled[4:]
            if draw.random() < 0.03:
                old = old[: draw.randrange(len(old) + 1)]
            yield Case(old, size, spoiled, 0 if draw.random() < 0.9 else draw.choice((1, 3, 33, 97, 500)))


def compare(case: Case, said: Answer) -> str:
    """Return what both say."""
    made = apply_patch(case.patch, case.old, case.size, ENTRIES)
    if not isinstance(made, bytes):
        if said.result != "bad" or said.written > case.size:
            raise DisagreementError(f"Python refuses ({made.why}), C says {said}: {case}")
        return made.why
    if said != good(made):
        raise DisagreementError(f"Python takes it, C says {said}: {case}")
    return "good"


def fuzz(program: Path, count: int, seed: int) -> Counter[str]:
    """Compare so many mutants; DisagreementError at the first that is taken otherwise."""
    tally: Counter[str] = Counter()
    source = cases(seed)
    while count > 0:
        batch = list(islice(source, min(BATCH, count)))
        count -= len(batch)
        tally.update(compare(case, said) for case, said in zip(batch, apply(program, batch), strict=True))
        if not tally.total() % (25 * BATCH):
            print(f"{tally.total()} of seed {seed}", file=sys.stderr, flush=True)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--compiler", default="gcc")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tally = fuzz(build(Path(folder), chosen.compiler), chosen.count, chosen.seed)
    for why, count in tally.most_common():
        print(f"{count:8} {why}")


if __name__ == "__main__":
    main()
