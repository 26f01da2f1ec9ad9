"""A short run of the differential fuzzing; `python tests/device_code/fuzz.py --count 1000000 --seed 7` is the long one."""

from collections.abc import Callable
from pathlib import Path

from fuzz import Fuzzer, many


def test_python_and_c_agree_on_mutants(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    counts = many(Fuzzer(tmp_path, ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")), 6000, seed=1)
    assert counts["accepted"] > 50
    assert counts["record taken"] > 100
    assert len(counts) >= 30
