"""Compilers' own analysis and cppcheck on the device code; every warning is an error."""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_build import PLAIN, SOURCES, STRICT, run
from long_runs import long

OURS = sorted(path for path in SOURCES.glob("seal_*.c") if path.name not in ("seal_bearssl.c", "seal_psa.c"))


BOTH = pytest.mark.parametrize(
    "second",
    [pytest.param((), id="one algorithm"), pytest.param(("-DSEAL_ML_DSA_44", "-DSEAL_PATCHES"), id="two", marks=long)],
)


@long
@BOTH
@pytest.mark.parametrize("source", OURS, ids=lambda path: path.name)
def test_compilers(source: Path, second: tuple[str, ...], tool: Callable[[str], str], tmp_path: Path) -> None:
    for compiler in ("gcc", "clang"):
        tool(compiler)
        for level in ("-O0", "-O2", "-Os"):
            run(
                [
                    compiler,
                    *STRICT,
                    level,
                    *second,
                    f"-I{SOURCES}",
                    f"-I{PLAIN}",
                    "-c",
                    source,
                    "-o",
                    tmp_path / "out.o",
                ]
            )
    run(
        [
            "gcc",
            *STRICT,
            "-O2",
            "-fanalyzer",
            *second,
            f"-I{SOURCES}",
            f"-I{PLAIN}",
            "-c",
            source,
            "-o",
            tmp_path / "out.o",
        ]
    )
    run(
        [
            "clang",
            "--analyze",
            "-Xanalyzer",
            "-analyzer-werror",
            *second,
            f"-I{SOURCES}",
            f"-I{PLAIN}",
            "-std=c99",
            source,
            "-o",
            tmp_path / "out.plist",
        ]
    )


@long
@BOTH
def test_clang_tidy(second: tuple[str, ...], tool: Callable[[str], str]) -> None:
    """Bugs, the analyzer, and the rules of CERT C that need no annex K."""
    tool("clang-tidy")
    checks = "-*,bugprone-*,clang-analyzer-*,cert-*,misc-*,portability-*,-bugprone-easily-swappable-parameters"
    # bounded numbers are multiplied in 32 bits, which is what an address has on the device
    checks += ",-bugprone-implicit-widening-of-multiplication-result,-clang-analyzer-security.insecureAPI.DeprecatedOrUnsafeBufferHandling"
    run(
        [
            "clang-tidy",
            "--quiet",
            f"--checks={checks}",
            "--warnings-as-errors=*",
            *OURS,
            "--",
            "-std=c99",
            *second,
            f"-I{SOURCES}",
            f"-I{PLAIN}",
        ]
    )


@BOTH
def test_cppcheck(second: tuple[str, ...], tool: Callable[[str], str]) -> None:
    tool("cppcheck")
    run(
        ["cppcheck", "--std=c99", "--enable=warning,style,performance,portability", "--error-exitcode=1", "--quiet",
         "--suppress=unusedStructMember", *second, f"-I{SOURCES}", f"-I{PLAIN}", *OURS]
    )  # fmt: skip
