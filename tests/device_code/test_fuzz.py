"""Short runs of the differential fuzzing. The long ones:

python tests/device_code/fuzz.py --count 1000000 --seed 7
python tests/device_code/fuzz_package.py --count 1000000 --seed 7
"""

from collections.abc import Callable
from pathlib import Path

from fuzz import Fuzzer, many
from fuzz_package import PackageFuzzer
from fuzz_package import many as many_packages


def test_python_and_c_agree_on_mutants(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    counts = many(Fuzzer(tmp_path, ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")), 6000, seed=1)
    assert counts["accepted"] > 50
    assert counts["record taken"] > 100
    assert len(counts) >= 30


def test_python_and_c_agree_on_packages(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    fuzzer = PackageFuzzer(tmp_path, ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"))
    counts = many_packages(fuzzer, 2500, seed=1)
    assert counts["accepted"] > 50
    assert counts["structure.manifest"] > 100
    assert len(counts) >= 40
