"""Nothing is decided by memory that has no value: the kit under MemorySanitizer of clang, cryptography included."""

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from batch import DATA
from boot_batch import FAILING, RESETS, booted, delivered, simulated
from c_build import REMEMBERED, build_crypto, build_runner, run
from c_package import judge_package, pack_package
from fuzz_package import PackageFuzzer, mutant
from long_runs import long
from stages import pair
from test_trust_in_c import words
from whole_kit import RUNNERS, run_whole_kit

MEMORY = ("-O1", "-g", "-fsanitize=memory", "-fno-sanitize-recover=all")


@long
@pytest.mark.parametrize("runner", RUNNERS)
def test_the_kit(runner: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("clang")
    tool("/usr/lib/llvm-14/lib/clang/14.0.6/lib/linux/libclang_rt.msan-x86_64.a")
    assert run_whole_kit(runner, tmp_path, "clang", MEMORY, ("-O1", "-fsanitize=memory")) > 50


def test_packages_that_are_broken_anywhere(tool: Callable[[str], str], tmp_path: Path) -> None:
    """Mutants of the kit's packages: whichever place the reader gives up at, it has decided by what it read; and it says what the host's said."""
    tool("clang")
    tool("gcc")
    crypto = build_crypto(tmp_path / "crypto", "clang", ("-O1", "-fsanitize=memory"), second=True)
    fuzzer = PackageFuzzer(tmp_path / "host")
    program = build_runner(fuzzer.fuzzer.of, tmp_path / "memory", "clang", MEMORY, crypto, REMEMBERED, "package_main")
    rng = random.Random(5)
    batch, expected = [], []
    for _ in range(3000):
        case = rng.choice(fuzzer.good)
        held = {slot: (DATA / path).read_bytes() for slot, path in case.get("held", {}).items()}
        data = mutant((DATA / case["artefact"]).read_bytes(), rng)
        expected.append(judge_package(fuzzer.fuzzer, data, case, held))
        batch.append(pack_package(fuzzer.fuzzer, data, case, held))
    (program.parent / "batch.bin").write_bytes(b"".join(batch))
    assert words(run([program, program.parent / "batch.bin"])) == expected
    assert len(set(expected)) > 30


@long
@pytest.mark.parametrize("resets", [RESETS, FAILING], ids=["healthy", "failing"])
def test_boots(resets: tuple[tuple[bool, bool], ...], tool: Callable[[str], str], tmp_path: Path) -> None:
    """What the boot code decides, too: records, copies, trial and the way back."""
    tool("clang")
    update = pair("two cores")
    device, batch = delivered(update)
    crypto = build_crypto(tmp_path / "crypto", "clang", ("-O1", "-fsanitize=memory"), second=True)
    assert booted(batch, resets, update.product, tmp_path, "clang", MEMORY, crypto) == simulated(device, resets)
