"""Short runs of the differential test from generated packages. The long one:

python tests/device_code/generated.py --count 1000000 --seed 1 --jobs 2
"""

import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from gen_cbor import emit, head
from gen_package import VARIANTS, Block, draft, envelope, manifest, sequences, signed, wrapped
from gen_twists import TWISTS
from generated import ACCEPTED, PASSED_OVER, Case, Everybody, complaint, device_of, many
from long_runs import long
from variants import signers

FLAGS = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")
OF_THE_READER = {
    "digest.image", "identity.layers-disagree", "identity.unknown-component", "identity.wrong-class", "identity.wrong-vendor",
    "placement.no-slot", "rollback.sequence-reused", "rollback.sequence-too-low", "rules.battery-too-low", "rules.development-mixed",
    "rules.directive-failed", "rules.failed-before", "rules.not-authorised", "rules.outside-profile", "rules.trial-open",
    "signature.malformed", "signature.manifest-digest", "signature.severed-member", "signature.wrong-key", "structure.envelope",
    "structure.manifest", "structure.payload-not-sealed", "structure.unsigned-member", "trust.algorithm-not-allowed",
    "trust.key-not-for-this", "trust.key-revoked", "trust.no-signature", "trust.too-few-signatures",
}  # fmt: skip
"""What seal_read_package says of a whole package; the images are judged by seal_image.c."""


@pytest.mark.parametrize(("count", "seed"), [(4000, 1), pytest.param(16_000, 2, marks=long)])
def test_python_and_c_agree(
    count: int, seed: int, tool: Callable[[str], str], tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    tool("gcc")
    tally = many(Everybody(tmp_path, FLAGS), seed, range(count))
    assert not tally.wrong, f"seed {seed}:\n{tally}"
    assert tally.codes.keys() >= OF_THE_READER | {ACCEPTED, *PASSED_OVER}
    assert tally.codes[ACCEPTED] > count // 5
    assert {name.split(" (")[0] for name in tally.twists} == {name for stage in TWISTS.values() for name in stage}
    record_property("generated packages accepted by Python and C", tally.codes[ACCEPTED])
    record_property("refused by both", count - tally.codes[ACCEPTED])


def strings(data: bytes) -> Iterator[tuple[int, int]]:
    """Where each string of a manifest begins, and how long it is; those that hold an item are gone into."""
    at = 0
    while at < len(data):
        major, info = data[at] >> 5, data[at] & 31
        width = {24: 1, 25: 2, 26: 4}.get(info, 0)
        value = int.from_bytes(data[at + 1 : at + 1 + width]) if width else info
        at += 1 + width
        if major in (2, 3):
            yield at - 1 - width, value
            opaque = (1, 6, 16, 32)  # of a component's identifier, vendor and class, digests
            at += value if major == 3 or value in opaque else 0


@pytest.mark.parametrize("variant", ["plain", "hazard"])
def test_a_string_that_ends_elsewhere(variant: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Every string of manifests, with another length over the same bytes: it ends in front of its end, or takes in what comes behind."""
    tool("gcc")
    everybody, asked = Everybody(tmp_path, FLAGS), 0
    for seed in range(3):
        rng = random.Random(seed)
        d = draft(VARIANTS[variant], rng)
        d.blocks = [Block(by) for by in signers(d.variant, "packages")]
        sequences(d)
        manifest(d)
        free, device = device_of(d, random.Random(0))
        good = emit({**d.manifest, 3: emit(d.common)})
        for at, length in [(-1, 0), *strings(good)]:
            before = head(good[at] >> 5, length)
            for other in range(max(0, length - 3), length + 25):
                behind = head(good[at] >> 5, other)
                if at >= 0 and (other == length or len(behind) != len(before)):
                    continue
                d.odd_manifest = good if at < 0 else good[:at] + behind + good[at + len(before) :]
                wrapped(d)
                signed(d)
                envelope(d)
                case = Case(variant, d.raw, (f"{length} at {at} is {other}",), device, free, development=False)
                answer = everybody.ask(case)
                assert complaint(case, answer) is None, (seed, case.twists, answer)
                assert answer.accepted == (at < 0), (seed, case.twists, answer)
                asked += 1
                if at < 0:
                    break
    assert asked > 1000
