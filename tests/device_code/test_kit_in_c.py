"""The C checker on the kit: the same verdicts and first codes as the Python judge, under two compilers and sanitizers."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from batch import DATA, is_image, load, pack_case
from c_build import build_crypto, build_runner, run
from kit_base import text_of
from long_runs import mainly
from run_python import product_of, verdict_of

from imgseal.device_code.codes import WIDE, _sums_up, c_name, values

CASES = [case for case in load() if is_image(case)]
PRODUCTS = sorted({case["product"] for case in CASES})
NAMES = {value: name for name, value in values().items()}
SANITIZERS = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


def expected(case: dict[str, object]) -> str:
    return str(case.get("device_first", case["first"]))


def judge(program: Path, cases: list[dict[str, object]], folder: Path, *command: str) -> list[str]:
    """Run the batch; return the codes as words."""
    batch = folder / "batch.bin"
    batch.write_bytes(b"".join(pack_case(case) for case in cases))
    said = run([*command, program, batch])
    return [NAMES.get(int(line, 16), line) for line in said.split()]


@pytest.mark.parametrize("compiler", mainly("gcc", ["gcc", "clang"]))
def test_host(compiler: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """gcc and clang with address and undefined-behaviour sanitizers; each artefact lies in a block of its own size."""
    tool(compiler)
    crypto = build_crypto(tmp_path / "crypto", compiler, ("-O2",), second=True)
    for name in PRODUCTS:
        cases = [case for case in CASES if case["product"] == name]
        program = build_runner(product_of(name, text_of(name)), tmp_path / name, compiler, SANITIZERS, crypto)
        found = judge(program, cases, tmp_path)
        assert [(c["name"], code) for c, code in zip(cases, found, strict=True)] == [
            (c["name"], expected(c)) for c in cases
        ]


def test_devices_that_boot_by_digest(tool: Callable[[str], str], tmp_path: Path) -> None:
    """The same codes where the sources know the boot mark: who judges an image without one verifies."""
    tool("gcc")
    crypto = build_crypto(tmp_path / "crypto", "gcc", ("-O2",), second=True)
    cases = [case for case in CASES if case["product"] == "kit"]
    flags = (*SANITIZERS, "-DSEAL_BOOT_MARK", "-Wno-missing-field-initializers")
    program = build_runner(product_of("kit", text_of("kit")), tmp_path / "kit", "gcc", flags, crypto)
    assert judge(program, cases, tmp_path) == [expected(case) for case in cases]


def test_psa_adapter(tool: Callable[[str], str], tmp_path: Path) -> None:
    """The same kit with the PSA Crypto API of Mbed TLS in place of BearSSL."""
    from c_build import HERE, SOURCES, write_config

    crypto = build_crypto(tmp_path / "crypto", "gcc", ("-O2",), second=True)
    tool("gcc")
    tool("/usr/include/psa/crypto.h")
    for name in PRODUCTS:
        write_config(product_of(name, text_of(name)), tmp_path)
        program = tmp_path / "kit_main"
        run(
            ["gcc", "-std=c99", "-Wall", "-Wextra", "-O1", "-fsanitize=address,undefined", "-DCRYPTO=seal_psa", "-DPREPARE=psa_crypto_init",
             "-include", "psa/crypto.h", f"-I{tmp_path}", f"-I{SOURCES}", SOURCES / "seal_image.c", SOURCES / "seal_psa.c",
             HERE / "kit_main.c", crypto, "-o", program, "-lmbedcrypto"]
        )  # fmt: skip
        cases = [case for case in CASES if case["product"] == name]
        assert judge(program, cases, tmp_path) == [expected(case) for case in cases]


def test_without_a_function(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A table with 0 for ML-DSA-44 skips it: as the tool judges for a product that does not list it. Where it must verify, nothing is accepted."""
    from c_build import HERE, SOURCES, bearssl, write_config

    tool("gcc")
    crypto = build_crypto(tmp_path / "crypto", "gcc", ("-O2",), second=True)
    includes = (f"-I{tmp_path}", f"-I{SOURCES}", f"-I{bearssl() / 'inc'}")
    sources = (SOURCES / "seal_image.c", SOURCES / "seal_bearssl.c", HERE / "kit_main.c")
    for name, skips in (("kit-second-optional", True), ("kit-two-algorithms", False)):
        write_config(product_of(name, text_of(name)), tmp_path)
        run(
            [
                "gcc",
                "-std=c99",
                *SANITIZERS,
                "-DWITHOUT_SECOND",
                *includes,
                *sources,
                crypto,
                "-o",
                tmp_path / "kit_main",
            ]
        )
        cases = [case for case in CASES if case["product"] == name]
        found = judge(tmp_path / "kit_main", cases, tmp_path)
        if skips:
            assert found == [_judged_without(str(case["artefact"]), case) for case in cases]
            assert found.count("accepted") > 10
        else:
            assert "accepted" not in found
            assert found[0] == "trust.too-few-signatures"


def _judged_without(path: str, case: dict[str, Any]) -> str:
    """The first code for a product that lists and trusts no ML-DSA-44."""
    text = (
        text_of("kit-second-optional")
        .replace('algorithms = ["ESP256", "ML-DSA-44"]', "")
        .replace('must_verify = ["ESP256"]', "")
    )
    text = re.sub(r', "[^"]+-pq.pub.pem"', "", re.sub(r", \{ key = [^}]*\}", "", text))
    assert "-pq" not in text
    verdict = verdict_of(
        product_of("without", text), (DATA / path).read_bytes(), payload=None, slot=None, device=case.get("device"), held={},
        development=bool(case.get("development", False)),
    )  # fmt: skip
    return "accepted" if verdict.accepted else verdict.findings[0].code


def test_what_says_yes_is_far_from_all_else() -> None:
    """At least eight bits from any other result, from 0 and all ones; refusals are distinct numbers of eight bits."""
    found = values()
    wide = [found.pop(name) for name in WIDE]
    assert set(found.values()) <= set(range(1, 256))
    assert len(set(found.values())) == len(found)
    others = [*range(256), 0x7FFF_FFFF]
    assert min((a ^ b).bit_count() for a in wide for b in others) >= 8
    assert min((a ^ b).bit_count() for i, a in enumerate(wide) for b in wide[:i]) >= 8


def test_a_sum_with_a_refusal_in_it_is_no_yes() -> None:
    """As many results as a judgement adds up: with refusals among them, the sum is none that a judgement of so many ends with."""
    wide = [values()[name] for name in WIDE]
    small = range(-40 * 255, 40 * 255 + 1)
    for value in wide:
        for other in wide:
            for n in range(1, 21):
                for m in range(-20, 21) if value != other else (0, 20):
                    total = (value * n + other * m) % 2**32
                    assert total not in small
                    assert total - 2**32 not in small
    assert _sums_up(1 << 28, ())
    assert _sums_up(wide[0] + 5, (wide[0],))


def test_the_lists_are_the_generated_ones() -> None:
    from c_build import SOURCES

    from imgseal.device_code.codes import codes_header, names_source

    assert (SOURCES / "seal_codes.h").read_text() == codes_header()
    assert (SOURCES / "seal_names.c").read_text() == names_source()
    assert c_name("rollback.counter-too-low") == "SEAL_ROLLBACK_COUNTER_TOO_LOW"
