"""The stack that the reader of packages takes on a Cortex-M4 under QEMU, beyond the library: builds for both run slots of a component."""

from pathlib import Path

from c_build import HERE, SOURCES, bearssl, build_crypto, run, write_config
from machines import COMPILER, MACHINES, run_on
from skip_cases import of, shop
from workshop import trust_of


def stack_of_packages(folder: Path) -> int:
    """Bytes; AssertionError when the package is not accepted."""
    machine, package = MACHINES["cortex-m4"], shop().package
    write_config(of(), folder, trust_of(of()), development=False)
    (folder / "package.bin").write_bytes(package)
    (folder / "package.s").write_text(
        f'.section .rodata\n.global package\n.align 2\npackage: .incbin "{folder / "package.bin"}"\n'
    )
    crypto = build_crypto(folder / "crypto", COMPILER, machine.flags)
    sources = [SOURCES / f"seal_{name}.c" for name in ("image", "package", "bearssl")] + [HERE / "measure_package.c"]
    includes = (f"-I{folder}", f"-I{SOURCES}", f"-I{bearssl() / 'inc'}")
    program, size = folder / "measure_package", f"-DPACKAGE_BYTES={len(package)}u"
    run(
        [
            COMPILER,
            *machine.flags,
            size,
            *includes,
            *sources,
            folder / "package.s",
            crypto,
            "-o",
            program,
            *machine.tail,
        ]
    )
    used, good = map(int, run_on(machine, program, cwd=folder).split())
    assert good == 1
    return used
