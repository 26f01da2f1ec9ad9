"""Trust anchor updates in C on the kit: the same verdicts and first codes as the Python judge, under two compilers, sanitizers and QEMU.

The source of truth is docs/format/trust-anchors.md; what each case expects is written down by hand in tests/kit/anchor_cases.py.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from batch import DATA
from c_build import HERE, SOURCES, STRICT, bearssl, build_crypto, compiled, run, write_config
from kit_base import text_of
from long_runs import mainly
from machines import COMPILER, MACHINES, run_on
from run_python import product_of
from test_kit_in_c import NAMES, SANITIZERS, expected
from trust_batch import is_update, load, pack_case

CASES = load()
PRODUCTS = sorted({case["product"] for case in CASES})
LEFT_TO_VERIFICATION = {"anchors-off-the-curve": "accepted", "anchors-bit-signer": "trust.not-by-apex"}
"""Case -> what a device says that cannot tell whether a point lies on the curve."""


def build(
    folder: Path, name: str, compiler: str, flags: tuple[str, ...], crypto: Path, *more: str, tail: tuple[str, ...] = (),
    sources: Path = SOURCES, strict: tuple[str, ...] = STRICT,
) -> Path:  # fmt: skip
    write_config(product_of(name, text_of(name)), folder)
    objects = (
        *(
            compiled([compiler, *strict, *flags], folder, sources / f"{part}.c")
            for part in ("seal_image", "seal_trust")
        ),
        compiled([compiler, "-std=c99", *flags, *more], folder, sources / "seal_bearssl.c", f"-I{bearssl() / 'inc'}"),
    )
    program = folder / "trust_main"
    run(
        [compiler, "-std=c99", *flags, *more, f"-I{folder}", f"-I{sources}", f"-I{bearssl() / 'inc'}", *objects,
         HERE / "trust_main.c", crypto, "-o", program, *tail]
    )  # fmt: skip
    return program


def words(said: str) -> list[str]:
    return [NAMES.get(int(line, 16), line) for line in said.split()]


def judge(program: Path, cases: list[dict[str, Any]], folder: Path, *arguments: str) -> list[str]:
    batch = folder / "batch.bin"
    batch.write_bytes(b"".join(pack_case(case) for case in cases))
    return words(run([program, batch, *arguments]))


def named(cases: list[dict[str, Any]], codes: list[str]) -> dict[str, str]:
    return {case["name"]: code for case, code in zip(cases, codes, strict=True)}


def test_cases() -> None:
    """All of the kit: updates, and images under a set that the device took later."""
    assert sum(is_update(case) for case in CASES) >= 70
    assert [case["name"] for case in CASES if not is_update(case)] == [
        "trust-mask-of-no-component", "trust-after-revocation", "trust-after-rotation",
        "trust-image-by-the-deliveries-key",
    ]  # fmt: skip


@pytest.mark.parametrize("compiler", mainly("gcc", ["gcc", "clang"]))
def test_host(compiler: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """gcc and clang with address and undefined-behaviour sanitizers; each update lies in a block of its own size."""
    tool(compiler)
    crypto = build_crypto(tmp_path / "crypto", compiler, ("-O2",))
    for name in PRODUCTS:
        cases = [case for case in CASES if case["product"] == name]
        program = build(tmp_path / name, name, compiler, SANITIZERS, crypto)
        assert named(cases, judge(program, cases, tmp_path)) == {case["name"]: expected(case) for case in cases}


def test_psa_adapter(tool: Callable[[str], str], tmp_path: Path) -> None:
    """The same with the PSA Crypto API of Mbed TLS in place of BearSSL, which answers for points as well."""
    tool("gcc")
    tool("/usr/include/psa/crypto.h")
    for name in PRODUCTS:
        write_config(product_of(name, text_of(name)), tmp_path)
        program = tmp_path / "trust_main"
        run(
            ["gcc", "-std=c99", "-Wall", "-Wextra", "-O1", "-fsanitize=address,undefined", "-DCRYPTO=seal_psa", "-DPREPARE=psa_crypto_init",
             "-include", "psa/crypto.h", f"-I{tmp_path}", f"-I{SOURCES}", SOURCES / "seal_image.c", SOURCES / "seal_trust.c",
             SOURCES / "seal_psa.c", HERE / "trust_main.c", "-o", program, "-lmbedcrypto"]
        )  # fmt: skip
        cases = [case for case in CASES if case["product"] == name]
        assert judge(program, cases, tmp_path) == [expected(case) for case in cases]


def test_without_the_curve(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A table without the function leaves points to verification: two cases differ, and a spoiled signer is refused all the same."""
    tool("gcc")
    crypto = build_crypto(tmp_path / "crypto", "gcc", ("-O2",))
    cases = [case for case in CASES if case["product"] == "kit-apex"]
    program = build(tmp_path, "kit-apex", "gcc", SANITIZERS, crypto, "-DWITHOUT_CURVE")
    found = named(cases, judge(program, cases, tmp_path))
    assert found == {case["name"]: LEFT_TO_VERIFICATION.get(case["name"], expected(case)) for case in cases}


def test_failing_reads(tool: Callable[[str], str], tmp_path: Path) -> None:
    """Of a case that asks the flash, each read fails once: nothing is accepted that was not read."""
    tool("gcc")
    crypto = build_crypto(tmp_path / "crypto", "gcc", ("-O2",))
    program = build(tmp_path, "kit-apex", "gcc", SANITIZERS, crypto)
    case = next(case for case in CASES if case["name"] == "anchors-not-in-use")
    number, codes = 1, [""]
    while codes[-1] != "accepted":
        codes += judge(program, [case], tmp_path, str(number))
        number += 1
    assert codes[1:-1] == ["device.unreadable"] * (number - 2)
    assert number > 100  # one read of the update; header blocks in pieces of 64 bytes, one of them of 8 KiB


@pytest.mark.parametrize("core", mainly("cortex-m4", MACHINES))
def test_on_cortex_m(core: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """The M0 has 16 KiB of RAM: the held set, the update and the work memory fit beside the C library."""
    tool("qemu-system-arm")
    tool(COMPILER)
    machine = MACHINES[core]
    crypto = build_crypto(tmp_path / "crypto", COMPILER, machine.flags)
    for name in PRODUCTS:
        cases = [case for case in CASES if case["product"] == name]
        program = build(tmp_path / name, name, COMPILER, machine.flags, crypto, tail=machine.tail)
        (tmp_path / name / "batch.bin").write_bytes(b"".join(pack_case(case) for case in cases))
        found = words(run_on(machine, program, "batch.bin", cwd=tmp_path / name))
        assert named(cases, found) == {case["name"]: expected(case) for case in cases}


def test_offsets_and_limits_are_those_of_the_page() -> None:
    """The page's tables, the Python codec's ceilings and the constants of the C code."""
    from imgseal.formats.trust_anchors.codec import ENTRIES, MAGIC, REVOKED

    page = (SOURCES.parents[1] / "docs" / "format" / "trust-anchors.md").read_text()
    head, keys, _ = re.findall(r"(?:^\|.*\|\n)+", page, re.MULTILINE)[:3]
    offsets = [int(row.split("|")[1]) for row in head.splitlines()[2:]]
    source = (SOURCES / "seal_trust.c").read_text()
    found = {name: int(value) for name, value in re.findall(r"\b([A-Z]+_[A-Z_]+) = (\d+)", source)}
    names = (
        "FORMAT",
        "KEYS",
        "NUMBER",
        "NEED_IMAGES",
        "NEED_PACKAGES",
        "REVOKED",
        "VENDOR",
        "CLASS",
        "APEX",
        "CONTINGENCY",
    )
    assert [0, *(found[f"T_{name}"] for name in names)] == offsets
    assert [found[f"K_{name}"] for name in ("ROLE", "ZEROS", "COMPONENTS", "ID", "POINT")] == [
        int(row.split("|")[1]) for row in keys.splitlines()[2:]
    ]
    header = (SOURCES / "seal_trust.h").read_text()
    limits = {name: int(value) for name, value in re.findall(r"#define SEAL_TRUST_(\w+) (\d+)u", header)}
    assert (limits["KEYS"], limits["REVOKED"]) == (ENTRIES, REVOKED)
    assert limits["SET_MAX"] == found["HEAD_BYTES"] + found["KEY_BYTES"] * ENTRIES + 16 * REVOKED
    assert limits["UPDATE_MAX"] == limits["SET_MAX"] + 128
    largest = max(len((DATA / case["artefact"]).read_bytes()) for case in CASES if case["name"] == "anchors-keys-32")
    assert largest == limits["UPDATE_MAX"] - 16 * REVOKED
    letters = re.search(r"set_magic\[8\] = \{ 0xD5, (.*) \}", source)
    assert letters is not None
    assert b"\xd5" + bytes(ord(letter) for letter in re.findall(r"'(\w)'", letters[1])) == MAGIC


def test_the_recovery_image_is_in_use(tool: Callable[[str], str], tmp_path: Path) -> None:
    """Whatever the current set: a recovery image that is there keeps enough signers. C and Python, and by hand."""
    from anchor_cases import following, signed
    from c_trust import Device, Slots, TrustLibrary
    from kit_base import image
    from run_python import verdict_of
    from workshop import public_key, resealed

    from imgseal.formats.trust_anchors.codec import encode_set

    tool("gcc")
    recovery = '[slot.recovery]\nmemory = "internal"\nat = 0xC000\nsize = "2 KiB"\nholds = "recovery"\n\n'
    rescue = '[component.rescue]\nnumber = 6\ncore = "cortex-m0plus"\nvectors = 16\nheader_block = 512\nrun = ["recovery"]\nway_back = "none"\nversion = "1.0.0"\ncounter = 0\n\n'
    text = text_of("kit-apex")
    text = text.replace("[component.app]", f"{recovery}[component.app]", 1).replace("[trust]", f"{rescue}[trust]", 1)
    of = product_of("kit-apex", text)
    gone = public_key("keys/images").key_id
    held = signed(following())
    without = tuple(a for a in following().anchors if a.key_id != gone)
    update = signed(following(number=2, anchors=without, revoked=(gone,)))
    library = TrustLibrary(of, tmp_path)
    for content, said in (
        (image("radio"), "rules.trust-in-use"),
        (resealed(image("radio"), by=("keys/second",)), "accepted"),
        (b"\xff" * 2048, "accepted"),
        (b"\0" * 2048, "accepted"),
    ):
        slots = {"recovery": content.ljust(2048, b"\xff")}
        verdict = verdict_of(
            of, update, payload=None, slot=None, device=None, held=slots, development=False, anchors=held
        )
        assert ("accepted" if verdict.accepted else verdict.findings[0].code) == said
        library.start(Device(Slots(of, slots)), 0, 0)
        library.hold(encode_set(following()))
        library.running(b"\xff" * 6, settled=True)
        assert library.say("judge", update, len(update)) == said
