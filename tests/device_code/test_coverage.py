"""Every line of the checker is reached by the kit and by failing drivers, but for the exceptions named here with their reasons."""

import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from batch import pack_case
from c_build import HERE, SOURCES, bearssl, build_crypto, run, write_config
from kit_base import text_of
from run_python import product_of
from test_kit_in_c import CASES, NAMES, PRODUCTS

EXCEPTIONS = {
    "return SEAL_SIGNATURE_DOES_NOT_VERIFY;": "hardening: signatures are counted again; only a glitch can make the counts differ",
    "return SEAL_DEVICE_NOT_RUN;": "hardening: checks are counted again; only a glitch can have skipped one",
}
BRANCHES = {
    "if (verified == 0 || verified != wanted)": "hardening",
    "if (passed != before + (header_only ? 0u : after))": "hardening",
    ": (uint32_t)SEAL_DEVICE_NOT_RUN;": "hardening",
}
GLITCHES = [
    (("        verified++;\n", ""), "signature.does-not-verify"),
    (("        wanted++;\n", "        wanted += 2;\n"), "signature.does-not-verify"),
    (
        (
            "        uint32_t code = checks[i](j);\n",
            "        uint32_t code;\n        if (i == 4)\n            continue;\n        code = checks[i](j);\n",
        ),
        "device.not-run",
    ),
    (("    if (!header_only) {\n", "    if (0) {\n"), "device.not-run"),
]
"""What a glitch does -> what is said then."""


def test_lines(tool: Callable[[str], str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tool("gcov")
    crypto = build_crypto(tmp_path / "crypto", "gcc", ("-O2",))
    shutil.copy(SOURCES / "seal_image.c", tmp_path)
    includes = (f"-I{tmp_path}", f"-I{SOURCES}", f"-I{bearssl() / 'inc'}")
    flags = ("-std=c99", "-w", "-O0", *includes)
    for name in PRODUCTS:
        write_config(product_of(name, text_of(name)), tmp_path)
        run(["gcc", *flags, "--coverage", "-c", "seal_image.c", "-o", "seal_image.o"], cwd=tmp_path)
        program = tmp_path / f"run-{name}"
        sources = (SOURCES / "seal_bearssl.c", HERE / "kit_main.c")
        run(["gcc", *flags, "--coverage", "seal_image.o", *sources, crypto, "-o", program], cwd=tmp_path)
        batch = tmp_path / "batch.bin"
        batch.write_bytes(b"".join(pack_case(case) for case in CASES if case["product"] == name))
        run([program, batch], cwd=tmp_path)
        if name == "kit":
            whole = next(case for case in CASES if case["name"] == "dump-good")
            batch.write_bytes(pack_case(whole, header_only=True))
            assert NAMES[int(run([program, batch], cwd=tmp_path), 16)] == "accepted"
            batch.write_bytes(pack_case(whole))
            for number in range(24):  # each read fails once; nothing is accepted that was not read
                code = NAMES[int(run([program, batch, str(number)], cwd=tmp_path), 16)]
                assert code == "device.unreadable", number
    said = subprocess.run(
        ["gcov", "-b", "-c", "seal_image.c"], cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    missed = re.findall(r"#####:\s*\d+:\s*(.+)", (tmp_path / "seal_image.c.gcov").read_text())
    assert sorted(missed) == sorted(EXCEPTIONS)
    taken = re.search(r"Taken at least once:([\d.]+)% of (\d+)", said)
    assert taken is not None
    with capsys.disabled():
        print(f"\nchecker in C: every line but {len(EXCEPTIONS)}; {taken[1]} % of {taken[2]} branches")
    branches = _branches((tmp_path / "seal_image.c.gcov").read_text())
    assert set(branches) == set(BRANCHES)


def _branches(text: str) -> list[str]:
    """The lines with a branch that was never taken."""
    found, line = [], ""
    for row in text.splitlines():
        numbered = re.match(r"\s*\S+:\s*\d+:(.*)", row)
        if numbered and not row.startswith(("branch", "call", "function")):
            line = numbered[1].strip()
        elif row.startswith("branch") and ("taken 0" in row or "never" in row):
            found.append(line)
    return found


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
    assert NAMES[int(run([tmp_path / "glitch", "batch.bin"], cwd=tmp_path), 16)] == said
