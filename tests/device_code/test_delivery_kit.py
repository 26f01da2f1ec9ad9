"""The kit's deliveries through the compiled installer: the codes of the judge, and of those that are taken its images.

On the host under two compilers with sanitizers, and on Cortex-M4 and M33, with code for an M0 on the machine of the M4:
beside the files of a C library the 16 KiB of the M0's own machine are too few. Flash is the batch itself.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_build import HERE, SOURCES, STRICT, bearssl, build_crypto, compiled, run, write_config
from delivery_batch import CASES, PRODUCTS, Packed, unlike, write
from long_runs import mainly
from machines import COMPILER, MACHINES, run_on
from test_kit_in_c import NAMES, SANITIZERS, expected

OURS = ("seal_image", "seal_boot", "seal_package", "seal_install", "seal_delta", "seal_delivery", "seal_trust")
WITH_ROOM = {**MACHINES, "cortex-m0": MACHINES["cortex-m4"]._replace(core="cortex-m0")}


def build(
    folder: Path, name: str, compiler: str, flags: tuple[str, ...], crypto: Path, tail: tuple[str, ...] = ()
) -> Path:
    of = Packed(next(case for case in CASES if case["product"] == name)).of
    write_config(of, folder, development=False)
    relaxed = [compiler, "-std=c99", *flags, "-DCRYPTO=seal_bearssl"]
    objects = [compiled([compiler, *STRICT, *flags], folder, SOURCES / f"{each}.c") for each in OURS]
    objects.append(compiled(relaxed, folder, SOURCES / "seal_bearssl.c", f"-I{bearssl() / 'inc'}"))
    program = folder / "delivery_main"
    run([*relaxed, f"-I{folder}", f"-I{SOURCES}", HERE / "delivery_main.c", *objects, crypto, *tail, "-o", program])
    return program


def said_otherwise(program: Path, name: str, call: Callable[[Path], str]) -> list[object]:
    """The cases of a product that are answered otherwise, or leave another image."""
    packed = [Packed(case) for case in CASES if case["product"] == name]
    write(packed, program.parent)
    words = [NAMES.get(int(line, 16), line) for line in call(program).split()]
    wrong: list[object] = [
        (each.case["name"], expected(each.case), said)
        for each, said in zip(packed, words, strict=True)
        if said != expected(each.case)
    ]
    return wrong + list(unlike(packed, (program.parent / "batch.bin").read_bytes()))


@pytest.mark.parametrize("compiler", mainly("gcc", ["gcc", "clang"]))
def test_host(compiler: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool(compiler)
    crypto = build_crypto(tmp_path / "crypto", compiler, ("-O2",))
    for name in PRODUCTS:
        program = build(tmp_path / name, name, compiler, (*SANITIZERS, "-DSEAL_PATCHES"), crypto)
        assert said_otherwise(program, name, lambda path: run([path], cwd=path.parent)) == []


@pytest.mark.parametrize("core", mainly("cortex-m4", WITH_ROOM))
def test_cortex_m(core: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("qemu-system-arm")
    tool(COMPILER)
    machine = WITH_ROOM[core]
    crypto = build_crypto(tmp_path / "crypto", COMPILER, machine.flags)
    for name in PRODUCTS:
        program = build(tmp_path / name, name, COMPILER, (*machine.flags, "-DSEAL_PATCHES"), crypto, machine.tail)
        assert said_otherwise(program, name, lambda path: run_on(machine, path, "batch.bin", cwd=path.parent)) == []
