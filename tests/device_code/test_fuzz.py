"""Short runs of the differential fuzzing. The long ones:

python tests/device_code/fuzz.py --count 1000000 --seed 7
python tests/device_code/fuzz_package.py --count 1000000 --seed 7
python tests/device_code/fuzz_trust.py --count 1000000 --seed 7
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from fuzz import Fuzzer, many
from fuzz_package import PackageFuzzer
from fuzz_package import many as many_packages
from fuzz_trust import TrustFuzzer
from fuzz_trust import many as many_updates
from long_runs import long

FLAGS = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")
LISTED, RULES = 'algorithms = ["ESP256", "ML-DSA-44"]', "[rules]\n"


def alone(text: str) -> str:
    """ML-DSA-44 alone: no other key is trusted."""
    for key in ("images", "packages"):
        text = text.replace(f'"keys/{key}.pub.pem", ', "").replace(f'"keys-dev/{key}.pub.pem", ', "")
    return text.replace(LISTED, 'algorithms = ["ML-DSA-44"]')


SECOND: dict[str, tuple[str, Callable[[str], str]]] = {
    "both": ("kit-two-algorithms", lambda text: text),
    "second optional": ("kit-second-optional", lambda text: text),
    "first optional": ("kit-two-algorithms", lambda text: text.replace(RULES, f'{RULES}must_verify = ["ML-DSA-44"]\n')),
    "other order": ("kit-two-algorithms", lambda text: text.replace(LISTED, 'algorithms = ["ML-DSA-44", "ESP256"]')),
    "second alone": ("kit-two-algorithms", alone),
}


def test_python_and_c_agree_on_mutants(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    counts = many(Fuzzer(tmp_path, FLAGS), 6000, seed=1)
    assert counts["accepted"] > 50
    assert counts["record taken"] > 100
    assert len(counts) >= 30


def test_python_and_c_agree_on_packages(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    fuzzer = PackageFuzzer(tmp_path, FLAGS)
    counts = many_packages(fuzzer, 2500, seed=3)
    assert counts["accepted"] > 50
    assert counts["structure.manifest"] > 100
    assert len(counts) >= 40


def test_python_and_c_agree_on_trust_anchor_updates(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    counts = many_updates(TrustFuzzer(tmp_path, FLAGS), 3000, seed=3)
    assert counts["accepted"] > 100
    assert counts.keys() == {
        "accepted", "identity.wrong-class", "identity.wrong-vendor", "rollback.trust-number", "rules.apex-change",
        "rules.revocation-undone", "rules.trial-open", "rules.trust-in-use", "signature.does-not-verify", "signature.malformed",
        "structure.trust-set", "trust.not-by-apex",
    }  # fmt: skip


@pytest.mark.parametrize("name", [pytest.param(name, marks=() if n == 0 else long) for n, name in enumerate(SECOND)])
def test_python_and_c_agree_on_two_algorithms(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Images and packages, under each rule that a product file can state for ML-DSA-44."""
    tool("gcc")
    product, rules = SECOND[name]
    counts = many(Fuzzer(tmp_path / "images", FLAGS, product, rules=rules), 1500, seed=1)
    assert counts["accepted"] > 30
    assert counts["signature.does-not-verify"] > 30
    assert {"trust.unknown-key", "trust.key-revoked"} <= counts.keys()
    assert ("trust.too-few-signatures" in counts) == (name != "second alone")
    fuzzer = PackageFuzzer(tmp_path / "packages", FLAGS, product, rules=rules)
    counts = many_packages(fuzzer, 500, seed=1)
    assert counts["accepted"] > 20
    assert counts["signature.wrong-key"] > 10
