"""Builds what skip_one.py runs: the device code with what stands around it, for a core, and the emulator's side of it for this machine."""

import functools
import hashlib
import shutil
import tempfile
from pathlib import Path
from typing import NamedTuple

from c_build import HERE, SOURCES, bearssl, build_crypto, run, write_config
from skip_cases import of
from workshop import trust_of

CORES = ("cortex-m0plus", "cortex-m4")
LEVELS = ("-Os", "-O2", "-O3")
COMPILERS = {"gcc": ("arm-none-eabi-gcc",), "clang": ("clang", "--target=arm-none-eabi")}
LINKER = "arm-none-eabi-gcc"
FUNCTIONS = {
    "seal_bearssl": ("br_sha256_init", "br_sha224_update", "br_sha256_out", "br_ecdsa_i31_vrfy_raw"),
    "seal_psa": (
        "psa_hash_setup", "psa_hash_update", "psa_hash_finish", "psa_hash_abort", "psa_import_key", "psa_verify_hash", "psa_destroy_key",
        "psa_set_key_domain_parameters",
    ),
}  # fmt: skip
DRIVERS = ("erase_flash", "program_flash", "read_counter", "take_counter", "protect_mark")
ANSWERED = (*FUNCTIONS["seal_bearssl"], *FUNCTIONS["seal_psa"], *DRIVERS)
"""In the order of skip_engine.c."""
ENDS = ("jump", "take_package", "reset_device", "wait_for_package", "refuse_package", "done")
"""Where a run ends: what is started, or not."""
OURS = ("seal_image", "seal_boot", "seal_package", "seal_install")
WITH_DELIVERIES = (*OURS, "seal_delta", "seal_delivery")
PATCHES = ("-DSEAL_PATCHES", "-DSEAL_DELIVERY_STEPS=3u", "-DSEAL_DELTA_TABLE=64u")
"""Options of a device that takes deliveries."""


class Build(NamedTuple):
    """A linked program: its bytes, and addresses by symbol."""

    core: str
    level: str
    adapter: str
    code: bytes
    data: bytes
    symbols: dict[str, int]
    lines: dict[int, str]

    @property
    def digest(self) -> str:
        """What tells it from others."""
        return hashlib.sha256(self.code + self.data).hexdigest()[:16]


def build(
    folder: Path, core: str, level: str, adapter: str = "seal_bearssl", sources: Path = SOURCES, compiler: tuple[str, ...] = COMPILERS["gcc"],
    *, marked: bool = False, patches: bool = False, extra: tuple[str, ...] = (),
) -> Build:  # fmt: skip
    """Compile and link for a core at a level of optimisation; `marked`: for a device that boots by digest; `patches`: for
    one that takes deliveries."""
    extra += PATCHES if patches else ()
    product = of(marked=marked)
    write_config(product, folder, trust_of(product), development=True)
    flags = [f"-mcpu={core}", "-mthumb", level, "-std=c99", "-ffreestanding", f"-I{folder}", f"-I{sources}", f"-I{HERE}", f"-DCRYPTO={adapter}"]  # fmt: skip
    if adapter == "seal_bearssl":
        flags.append(f"-I{bearssl() / 'inc'}")
    else:
        for name in ("psa", "mbedtls"):
            if not (folder / "host" / name).exists():
                (folder / "host").mkdir(exist_ok=True)
                (folder / "host" / name).symlink_to(Path("/usr/include") / name)
        flags.append(f"-I{folder / 'host'}")
    if compiler[0] == "clang":
        flags += ["-idirafter", _headers(core)]
    stubs = "".join(
        f'.section .host.{name},"ax"\n.thumb_func\n.global {name}\n{name}: bx lr\n.align 2\n' for name in (*FUNCTIONS[adapter], *DRIVERS, *ENDS)
    )  # fmt: skip
    (folder / "stubs.s").write_text(
        f".syntax unified\n.thumb\n{stubs}.section .rodata\n.align 2\n.global br_ec_p256_m31\nbr_ec_p256_m31: .space 64\n"
    )
    objects = []
    for source in (
        *(sources / f"{name}.c" for name in (*(WITH_DELIVERIES if patches else OURS), adapter)),
        HERE / "skip_decide.c",
        HERE / "skip_main.c",
    ):
        objects.append(folder / f"{source.stem}.o")
        own = ("-fno-builtin", *(("-fno-tree-loop-distribute-patterns",) if "gcc" in compiler[0] else ()))
        run([*compiler, *flags, *extra, *(own if source.stem == "skip_main" else ()), "-c", source, "-o", objects[-1]])
    target = (f"-mcpu={core}", "-mthumb")
    run([LINKER, *target, "-c", folder / "stubs.s", "-o", folder / "stubs.o"])
    program = folder / "program"
    run([LINKER, *target, "-nostdlib", "-T", HERE / "skip.ld", *objects, folder / "stubs.o", "-lgcc", "-o", program])
    for name, sections in (("code", (".ours", ".rest", ".host")), ("data", (".init",))):
        chosen = [word for section in sections for word in ("-j", section)]
        run(["arm-none-eabi-objcopy", "-O", "binary", *chosen, program, folder / f"{name}.bin"])
    symbols = {}
    for line in run(["arm-none-eabi-nm", program]).splitlines():
        value, _, name = line.split()
        symbols[name] = int(value, 16)
    code, data = (folder / "code.bin").read_bytes(), (folder / "data.bin").read_bytes()
    return Build(core, level, adapter, code, data, symbols, _lines(program))


@functools.cache
def _headers(core: str) -> str:
    """The folder of the C library's headers, which clang does not know of by itself."""
    said = run([LINKER, f"-mcpu={core}", "-mthumb", "-M", "-include", "string.h", "-xc", "/dev/null"])
    return str(Path(next(word for word in said.split() if word.endswith("/string.h"))).parent)


def _lines(program: Path) -> dict[int, str]:
    """Return what stands at an address: function and instruction."""
    out, function = {}, ""
    for line in run(["arm-none-eabi-objdump", "-d", "-j", ".ours", "--no-show-raw-insn", program]).splitlines():
        if line.endswith(">:"):
            function = line.split("<")[1][:-2]
        elif ":\t" in line:
            at, text = line.split(":\t", 1)
            out[int(at, 16)] = f"{function}: {' '.join(text.split())}"
    return out


@functools.cache
def engine_library() -> Path:
    """Compile skip_engine.c against the emulator and BearSSL, once."""
    import unicorn

    home = Path(unicorn.__file__).parent
    said = [(HERE / "skip_engine.c").read_bytes(), run(["gcc", "--version"]).encode(), str(home).encode()]
    kept = bearssl().parent / "built" / f"skip-{hashlib.sha256(b''.join(said)).hexdigest()[:32]}.so"
    if not kept.exists():
        kept.parent.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=kept.parent) as work:
            crypto = build_crypto(Path(work), "gcc", ("-O2", "-fPIC"))
            made = Path(work) / "engine.so"
            (library,) = [path for path in (home / "lib").glob("libunicorn.so*") if not path.is_symlink()][:1]
            run([
                "gcc", "-std=gnu11", "-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", f"-I{home / 'include'}", f"-I{bearssl() / 'inc'}",
                HERE / "skip_engine.c", crypto, library, f"-Wl,-rpath,{library.parent}", "-o", made,
            ])  # fmt: skip
            shutil.copy(made, f"{kept}.{Path(work).name}")
            Path(f"{kept}.{Path(work).name}").replace(kept)
    return kept
