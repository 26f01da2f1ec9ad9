"""The C reader of packages on the kit: what pack makes gets the same verdict and first code; everything else is refused.

A package outside the profile of docs/format/package.md is refused by name where the tool, which executes all of SUIT, may say more.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from batch import DATA, is_package, load
from c_build import build_crypto, build_runner, run
from c_package import judge_package, manifest_read, pack_package
from fuzz import NAMES, Fuzzer
from long_runs import mainly
from machines import COMPILER, MACHINES, run_on
from test_kit_in_c import SANITIZERS, expected

from imgseal.formats.suit.envelope import decode_envelope, wrapped_digest

CASES = [case for case in load() if is_package(case) and isinstance(case["artefact"], str)]
PRODUCTS = sorted({case["product"] for case in CASES})
OUTSIDE = "rules.outside-profile"
STRUCTURE = "structure.manifest"
SMALL = "device.buffer-too-small"  # 3 KiB for the manifest on the machine with 16 KiB


def judge(fuzzer: Fuzzer, cases: list[dict[str, Any]], program: Path, call: Callable[[Path], str]) -> list[str]:
    """Run a batch; return the codes as words."""
    raws = []
    for case in cases:
        held = {slot: (DATA / path).read_bytes() for slot, path in case.get("held", {}).items()}
        raws.append(pack_package(fuzzer, (DATA / case["artefact"]).read_bytes(), case, held))
    (program.parent / "batch.bin").write_bytes(b"".join(raws))
    return [NAMES.get(int(line, 16), line) for line in call(program).split()]


def agrees(case: dict[str, Any], said: str) -> bool:
    """Whether a device may say so: of several findings another one first, and of a broken manifest that it is outside."""
    named = said in case["codes"] or (said == OUTSIDE and STRUCTURE in case["codes"])
    return named or said == expected(case)


def compare(cases: list[dict[str, Any]], found: list[str]) -> None:
    wrong = [
        (case["name"], expected(case), said)
        for case, said in zip(cases, found, strict=True)
        if not agrees(case, said) and (said != SMALL or case["verdict"] != "refused")
    ]
    assert wrong == []


@pytest.mark.parametrize("compiler", mainly("gcc", ["gcc", "clang"]))
def test_host(compiler: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Address and undefined-behaviour sanitizers."""
    tool(compiler)
    crypto = build_crypto(tmp_path / "crypto", compiler, ("-O2",), second=True)
    for name in PRODUCTS:
        cases = [case for case in CASES if case["product"] == name]
        fuzzer = Fuzzer(tmp_path / name, name=name)
        program = build_runner(fuzzer.of, tmp_path / name, compiler, SANITIZERS, crypto, main="package_main")
        compare(cases, judge(fuzzer, cases, program, lambda path: run([path], cwd=path.parent)))


@pytest.mark.parametrize("core", mainly("cortex-m4", MACHINES))
def test_cortex_m(core: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Under QEMU; the package stays outside of RAM and is read piece by piece."""
    tool("qemu-system-arm")
    tool(COMPILER)
    machine = MACHINES[core]
    crypto = build_crypto(tmp_path / "crypto", COMPILER, machine.flags, second=machine.second)
    for name in PRODUCTS:
        cases = [case for case in CASES if case["product"] == name and (machine.second or "algorithms" not in case)]
        if not cases:
            continue
        fuzzer = Fuzzer(tmp_path / name, name=name)
        program = build_runner(
            fuzzer.of, tmp_path / name, COMPILER, machine.flags, crypto, machine.tail, "package_main"
        )
        compare(cases, judge(fuzzer, cases, program, lambda path: run_on(machine, path, "batch.bin", cwd=path.parent)))


@pytest.mark.parametrize("name", ["kit", "kit-two-algorithms"])
def test_what_was_verified_is_what_is_read(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """External flash that shows a signed package at first and another one later: whatever the moment, only the signed manifest is taken.

    The other one has the digest of its own manifest, so that nothing but the signature is wrong with it. RFC 9124 section 4.2.10
    (MFST.TOCTOU).
    """
    tool("gcc")
    fuzzer = Fuzzer(tmp_path, name=name)
    case = next(
        case for case in CASES if case["product"] == name and case["verdict"] == "accepted" and "device" not in case
    )
    held = {slot: (DATA / path).read_bytes() for slot, path in case.get("held", {}).items()}
    good = (DATA / case["artefact"]).read_bytes()
    envelope = decode_envelope(good)
    manifest = envelope.manifest.replace(b"\x02\x0a\x03", b"\x02\x0b\x03", 1)  # another sequence number
    assert manifest != envelope.manifest
    bad = good.replace(envelope.manifest, manifest)
    bad = bad.replace(wrapped_digest(envelope.manifest).value, wrapped_digest(manifest).value)
    size = len(manifest)
    assert judge_package(fuzzer, bad, case, held) == "signature.wrong-key"
    said = []
    for reads in range(600):
        said.append(judge_package(fuzzer, good, case, held, then=bad, reads=reads))
        if said[-1] == "accepted":
            assert manifest_read(fuzzer, size) == envelope.manifest, reads
    assert said[0] == "signature.wrong-key"
    assert "signature.manifest-digest" in said
    assert said[-1] == "accepted"
