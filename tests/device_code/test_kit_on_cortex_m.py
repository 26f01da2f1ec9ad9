"""The C checker on the kit, compiled for Cortex-M and run under QEMU; Cortex-M0+ is compiled and sized."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from batch import pack_case
from c_build import PLAIN, SOURCES, STRICT, build_crypto, build_runner, run
from kit_base import text_of
from long_runs import mainly
from machines import COMPILER, MACHINES, run_on
from run_python import product_of
from stack import stack_of_packages
from test_kit_in_c import CASES, NAMES, PRODUCTS, expected


@pytest.mark.parametrize("core", mainly("cortex-m4", MACHINES))
def test_kit(core: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("qemu-system-arm")
    tool(COMPILER)
    machine = MACHINES[core]
    crypto = build_crypto(tmp_path / "crypto", COMPILER, machine.flags, second=machine.second)
    for name in PRODUCTS:
        cases = [case for case in CASES if case["product"] == name and (machine.second or "algorithms" not in case)]
        if not cases:
            continue
        of = product_of(name, text_of(name))
        program = build_runner(of, tmp_path / name, COMPILER, machine.flags, crypto, machine.tail)
        (tmp_path / name / "batch.bin").write_bytes(b"".join(pack_case(case) for case in cases))
        found = [
            NAMES.get(int(line, 16), line)
            for line in run_on(machine, program, "batch.bin", cwd=tmp_path / name).split()
        ]
        assert [(c["name"], code) for c, code in zip(cases, found, strict=True)] == [
            (c["name"], expected(c)) for c in cases
        ]


def test_size_on_cortex_m0plus(tool: Callable[[str], str], tmp_path: Path) -> None:
    """Without cryptography at -Os; what a bootloader needs is to have 9,000 bytes at most, 5,400 more where it reads packages, all with the installer 18,000."""
    tool(COMPILER)
    flags = (*STRICT, "-mcpu=cortex-m0plus", "-mthumb", "-Os", f"-I{PLAIN}")
    text = {}
    for name in ("seal_image", "seal_boot", "seal_package", "seal_install"):
        target = tmp_path / f"{name}.o"
        run([COMPILER, *flags, "-c", SOURCES / f"{name}.c", "-o", target])
        text[name] = int(run(["arm-none-eabi-size", target]).split("\n")[1].split()[0])
    assert text["seal_image"] <= 3384
    assert text["seal_image"] + text["seal_boot"] <= 8980
    assert text["seal_package"] <= 4572
    assert text["seal_install"] <= 4443


def test_stack_of_the_package_reader(tool: Callable[[str], str], tmp_path: Path) -> None:
    """On a Cortex-M4, without what the library takes."""
    tool("qemu-system-arm")
    tool(COMPILER)
    assert 200 < stack_of_packages(tmp_path) <= 640


@pytest.mark.parametrize("second", [(), ("-DSEAL_ML_DSA_44",)], ids=["one algorithm", "two"])
@pytest.mark.parametrize("name", ["seal_image", "seal_boot", "seal_package", "seal_install", "seal_trust"])
def test_nothing_is_asked_of_a_library(
    name: str, second: tuple[str, ...], tool: Callable[[str], str], tmp_path: Path
) -> None:
    """No heap, no floating point, no library: what is undefined in the object is compiler support at most. No data of its own."""
    tool(COMPILER)
    target = tmp_path / f"{name}.o"
    source = SOURCES / f"{name}.c"
    run(
        [
            COMPILER,
            *STRICT,
            "-mcpu=cortex-m0plus",
            "-mthumb",
            "-Os",
            "-ffreestanding",
            f"-I{PLAIN}",
            *second,
            "-c",
            source,
            "-o",
            target,
        ]
    )
    undefined = {line.split()[-1] for line in run(["arm-none-eabi-nm", "-u", target]).splitlines() if line}
    undefined = {word for word in undefined if not word.startswith("seal_inside_")}
    ours = {word for word in undefined if word.startswith("seal_")}
    assert undefined - ours <= {
        "__aeabi_uidivmod",
        "__aeabi_uidiv",
        "__gnu_thumb1_case_uqi",
        "__gnu_thumb1_case_sqi",
        "__gnu_thumb1_case_uhi",
        "__gnu_thumb1_case_shi",
        "memcpy",
        "memset",
    }
    shared = set(re.findall(r"\b(seal_\w+)[(\[]", (SOURCES / "seal_image.h").read_text()))
    if name == "seal_install":
        shared |= {
            "seal_commit",
            "seal_member",
            "seal_record_magic",
            "seal_read_front",
            "seal_check_layers",
            "seal_head",
        }
    assert ours <= shared
    sizes = run(["arm-none-eabi-size", target]).split("\n")[1].split()
    assert sizes[1:3] == ["0", "0"]
    text = source.read_text() + (SOURCES / f"{name}.h").read_text()
    headers = {line.split()[1] for line in text.splitlines() if line.startswith("#include")}
    assert headers <= {
        "<stddef.h>",
        "<stdint.h>",
        '"seal_codes.h"',
        '"seal_options.h"',
        '"seal_image.h"',
        '"seal_boot.h"',
        '"seal_inside.h"',
        '"seal_package.h"',
        '"seal_delta.h"',
        f'"{name}.h"',
    }
