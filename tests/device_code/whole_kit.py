"""The whole kit through the four runners in C, built with any compiler: images, packages, deliveries, trust anchor updates."""

from collections.abc import Callable
from pathlib import Path

import delivery_batch
import test_delivery_kit as deliveries
import test_kit_in_c as images
import test_package_in_c as packages
import test_trust_in_c as updates
import trust_batch
from batch import pack_case
from c_build import build_crypto, build_runner, run
from fuzz import Fuzzer
from kit_base import text_of
from run_python import product_of

RUNNERS = ("kit_main", "package_main", "delivery_main", "trust_main")


def run_whole_kit(
    runner: str, folder: Path, compiler: str, flags: tuple[str, ...], crypto_flags: tuple[str, ...], *command: str
) -> int:
    """Judge every case of one runner; `command` stands before the program. Returns how many there were."""
    crypto = build_crypto(folder / "crypto", compiler, crypto_flags, second=True)

    def call(program: Path) -> str:
        return run([*command, program, program.parent / "batch.bin"], cwd=program.parent)

    return {"kit_main": _images, "package_main": _packages, "delivery_main": _deliveries, "trust_main": _updates}[
        runner
    ](folder, compiler, flags, crypto, call)


Call = Callable[[Path], str]


def _images(folder: Path, compiler: str, flags: tuple[str, ...], crypto: Path, call: Call) -> int:
    for name in images.PRODUCTS:
        cases = [case for case in images.CASES if case["product"] == name]
        program = build_runner(product_of(name, text_of(name)), folder / name, compiler, flags, crypto)
        (program.parent / "batch.bin").write_bytes(b"".join(pack_case(case) for case in cases))
        found = updates.named(cases, updates.words(call(program)))
        assert found == {case["name"]: images.expected(case) for case in cases}
    return len(images.CASES)


def _packages(folder: Path, compiler: str, flags: tuple[str, ...], crypto: Path, call: Call) -> int:
    for name in packages.PRODUCTS:
        cases = [case for case in packages.CASES if case["product"] == name]
        fuzzer = Fuzzer(folder / name / "host", name=name)
        program = build_runner(fuzzer.of, folder / name, compiler, flags, crypto, main="package_main")
        packages.compare(cases, packages.judge(fuzzer, cases, program, call))
    return len(packages.CASES)


def _deliveries(folder: Path, compiler: str, flags: tuple[str, ...], crypto: Path, call: Call) -> int:
    for name in delivery_batch.PRODUCTS:
        program = deliveries.build(folder / name, name, compiler, (*flags, "-DSEAL_PATCHES"), crypto)
        assert deliveries.said_otherwise(program, name, call) == []
    return len(delivery_batch.CASES)


def _updates(folder: Path, compiler: str, flags: tuple[str, ...], crypto: Path, call: Call) -> int:
    for name in updates.PRODUCTS:
        cases = [case for case in updates.CASES if case["product"] == name]
        program = updates.build(folder / name, name, compiler, flags, crypto)
        (program.parent / "batch.bin").write_bytes(b"".join(trust_batch.pack_case(case) for case in cases))
        found = updates.named(cases, updates.words(call(program)))
        assert found == {case["name"]: images.expected(case) for case in cases}
    return len(updates.CASES)
