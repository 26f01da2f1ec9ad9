"""Every line of the checker is reached by the kit and by failing drivers, but for the exceptions named here with their reasons."""

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from batch import pack_case
from c_build import HERE, SOURCES, bearssl, build_crypto, run, write_config
from kit_base import text_of
from long_runs import long
from run_python import product_of
from test_kit_in_c import CASES, NAMES, PRODUCTS

EXCEPTIONS = {
    "return SEAL_DEVICE_NOT_RUN;": "hardening, twice: only a glitch can have skipped a check, or refuse with a yes",
}
BRANCHES = {
    "return wanted != 0 ? code : (uint32_t)SEAL_SIGNATURE_DOES_NOT_VERIFY;": "hardening",
    "if (j.said != SEAL_GOOD(state))": "hardening",
    "if (said == SEAL_ACCEPTED)": "hardening",
    "if (erased != SEAL_UNREADABLE && seal_read_through(compare_all, j->work, reader, at, end - at) != SEAL_READ)": "no memory of the kit is unreadable erased; test_erased.py reaches it",
    "if ((!anchor->development || j->state->development) && SEAL_KIND_OF(anchor) == kind": "there is one kind; with two, test_lines_of_two_algorithms reaches it",
}
OF_OTHERS = {"seal_put32", "seal_clear", "seal_read_ram"}
"""Functions of the file that the checker does not call."""
TWO = ("kit-second-optional", "kit-two-algorithms")
GLITCHES = [
    (
        (
            "            code = checks[k](&j);\n",
            "            code = checks[k] == check_signatures ? (uint32_t)SEAL_ACCEPTED : checks[k](&j);\n",
        ),
        "no code",
    ),
    (
        ("            wanted++;\n        }\n    return wanted", "            code++;\n        }\n    return wanted"),
        "signature.does-not-verify",
    ),
    (
        (
            "        if (k - OF_HEADER < OF_PAYLOAD && header_only == SEAL_HEADER_ONLY)\n            code = j.header_only",
            "        if (k - OF_HEADER < OF_PAYLOAD)\n            code = SEAL_HEADER_ONLY",
        ),
        "digest.payload",
    ),
    (
        (
            "        if (k - OF_HEADER < OF_PAYLOAD && header_only == SEAL_HEADER_ONLY)\n            code = j.header_only",
            "        if (k - OF_HEADER < OF_PAYLOAD)\n            code = j.header_only",
        ),
        "no code",
    ),
    (
        ("for (k = 0; k < OF_HEADER + OF_PAYLOAD + AGAIN; k++) {", "for (k = 0; k < OF_HEADER + OF_PAYLOAD; k++) {"),
        "device.not-run",
    ),
]
"""What a glitch does -> what is said then."""


Line = tuple[str, str, tuple[bool, ...]]
"""How often a line ran, its text, and for each of its branches whether it was taken."""


def covered(folder: Path, products: list[str]) -> dict[int, Line]:
    """What the kit and failing drivers reach of the checker, as it is compiled for these products."""
    folder.mkdir()
    second = "kit-two-algorithms" in products
    crypto = build_crypto(folder / "crypto", "gcc", ("-O2",), second=second)
    shutil.copy(SOURCES / "seal_image.c", folder)
    includes = (f"-I{folder}", f"-I{SOURCES}", f"-I{bearssl() / 'inc'}")
    flags = ("-std=c99", "-w", "-O0", *includes)
    batch = folder / "batch.bin"
    for name in products:
        write_config(product_of(name, text_of(name)), folder)
        run(["gcc", *flags, "--coverage", "-c", "seal_image.c", "-o", "seal_image.o"], cwd=folder)
        program = folder / f"run-{name}"
        sources = ("seal_image.o", SOURCES / "seal_bearssl.c", HERE / "kit_main.c", crypto)
        run(["gcc", *flags, "--coverage", *sources, "-o", program], cwd=folder)
        cases = [case for case in CASES if case["product"] == name]
        batch.write_bytes(b"".join(pack_case(case) for case in cases))
        run([program, batch], cwd=folder)
        if second:
            run(["gcc", *flags, "--coverage", "-DWITHOUT_SECOND", *sources, "-o", f"{program}-without"], cwd=folder)
            run([f"{program}-without", batch], cwd=folder)
        if name == "kit":
            whole = next(case for case in CASES if case["name"] == "dump-good")
            batch.write_bytes(pack_case(whole, header_only=True))
            assert NAMES[int(run([program, batch], cwd=folder), 16)] == "accepted"
        if name in ("kit", "kit-two-algorithms"):
            whole = next(case for case in cases if case["name"] in ("dump-good", "second-good"))
            batch.write_bytes(pack_case(whole))
            for number in range(
                24 if name == "kit" else 10
            ):  # each read fails once; nothing is accepted that was not read
                code = NAMES[int(run([program, batch, str(number)], cwd=folder), 16)]
                assert code == "device.unreadable", number
    run(["gcov", "-b", "-c", "seal_image.c"], cwd=folder)
    return _lines((folder / "seal_image.c.gcov").read_text())


def _lines(text: str) -> dict[int, Line]:
    found: dict[int, Line] = {}
    number, function = 0, ""
    for row in text.splitlines():
        numbered = re.match(r"\s*(\S+):\s*(\d+):(.*)", row)
        if row.startswith("function"):
            function = row.split()[1]
        if function in OF_OTHERS:
            continue
        if numbered and not row.startswith(("branch", "call", "function")):
            number = int(numbered[2])
            if numbered[1] != "-":
                found[number] = numbered[1], numbered[3].strip(), ()
        elif row.startswith("branch") and number in found:
            count, line, branches = found[number]
            found[number] = count, line, (*branches, "taken 0" not in row and "never" not in row)
    return found


def test_lines(tool: Callable[[str], str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tool("gcov")
    lines = covered(tmp_path / "one", [name for name in PRODUCTS if name not in TWO]).values()
    assert sorted(text for count, text, _ in lines if count == "#####") == sorted([*EXCEPTIONS, *EXCEPTIONS])
    branches = [taken for _, _, each in lines for taken in each]
    with capsys.disabled():
        share = f"{100 * sum(branches) / len(branches):.2f} % of {len(branches)} branches"
        print(f"\nchecker in C: every line but {len(EXCEPTIONS)}; {share}")
    assert {text for _, text, each in lines if not all(each)} == set(BRANCHES)


@long
def test_lines_of_two_algorithms(tool: Callable[[str], str], tmp_path: Path) -> None:
    """What SEAL_ML_DSA_44 compiles in: lines that are not there without it, or have other branches."""
    tool("gcov")
    one = covered(tmp_path / "one", ["kit"])
    two = covered(tmp_path / "two", list(TWO))
    new = [line for number, line in two.items() if number not in one or len(one[number][2]) != len(line[2])]
    assert [text for count, text, _ in new if count == "#####"] == []
    assert [text for _, text, each in new if not all(each)] == []
    assert sum(len(each) for _, _, each in new) == 24


@pytest.mark.parametrize(("glitch", "said"), GLITCHES)
def test_glitches(glitch: tuple[str, str], said: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """The duplicates that no input reaches: a check is skipped as a glitch would, and the good image is not accepted."""
    tool("gcc")
    crypto = build_crypto(tmp_path / "crypto", "gcc", ("-O2",))
    text = (SOURCES / "seal_image.c").read_text()
    assert text.count(glitch[0]) == 1
    (tmp_path / "seal_image.c").write_text(text.replace(*glitch))
    write_config(product_of("kit", text_of("kit")), tmp_path)
    includes = (f"-I{tmp_path}", f"-I{SOURCES}", f"-I{bearssl() / 'inc'}")
    sources = ("seal_image.c", SOURCES / "seal_bearssl.c", HERE / "kit_main.c")
    run(["gcc", "-std=c99", "-w", "-O1", *includes, *sources, crypto, "-o", "glitch"], cwd=tmp_path)
    whole = next(case for case in CASES if case["name"] == "dump-good")
    (tmp_path / "batch.bin").write_bytes(pack_case(whole))
    assert NAMES.get(int(run([tmp_path / "glitch", "batch.bin"], cwd=tmp_path), 16), "no code") == said
