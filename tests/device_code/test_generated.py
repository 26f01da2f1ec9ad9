"""Short runs of the differential test from generated packages. The long one:

python tests/device_code/generated.py --count 1000000 --seed 1 --jobs 2
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from gen_twists import TWISTS
from generated import ACCEPTED, PASSED_OVER, Everybody, many
from long_runs import long

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
