"""Builds the C sources for the tests: configuration of a kit product, checker, adapter, and as much of BearSSL as it uses."""

import atexit
import functools
import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from imgseal.device_code.config import config_header, options_header
from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Product

ROOT = Path(__file__).parents[2]
SOURCES = ROOT / "imgseal" / "device_code"
LIBRARY = SOURCES / "example" / "library.c"
"""What a compiler may ask for in a program without a library."""
HERE = Path(__file__).parent
PLAIN = HERE / "plain"
"""Options for sources that are compiled without a product."""
REMEMBERED = ("-include", str(HERE / "remembered.c"), "-DCRYPTO=asked_once()")
"""What makes package_main verify each signature once."""
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-pedantic", "-Werror")
CRYPTO = (
    "hash/sha2small.c", "ec/ec_p256_m31.c",
    "ec/ec_prime_i31.c", "ec/ec_secp256r1.c", "ec/ec_secp384r1.c", "ec/ec_secp521r1.c", "ec/ecdsa_i31_vrfy_raw.c", "ec/ecdsa_i31_bits.c", "int/i31_add.c",
    "int/i31_bitlen.c", "int/i31_decmod.c", "int/i31_decode.c", "int/i31_decred.c", "int/i31_encode.c", "int/i31_fmont.c",
    "int/i31_iszero.c", "int/i31_modpow.c", "int/i31_montmul.c", "int/i31_muladd.c", "int/i31_ninv31.c", "int/i31_reduce.c",
    "int/i31_rshift.c", "int/i31_sub.c", "int/i31_tmont.c", "int/i32_div32.c", "codec/ccopy.c", "codec/dec32be.c", "codec/enc32be.c",
)  # fmt: skip
SECOND = (
    "common/fips202.c", "clean/ntt.c", "clean/packing.c", "clean/poly.c", "clean/polyvec.c", "clean/reduce.c", "clean/rounding.c",
    "clean/sign.c", "clean/symmetric-shake.c",
)  # fmt: skip


@functools.cache
def bearssl() -> Path:
    return _fetched("fetch.sh")


@functools.cache
def ml_dsa() -> Path:
    return _fetched("fetch_ml_dsa.sh")


def _fetched(script: str) -> Path:
    said = subprocess.run([HERE / script], capture_output=True, text=True, check=True)
    return Path(said.stdout.strip())


def run(command: Iterable[str | Path], cwd: Path | None = None) -> str:
    """Run a command; what it says when it fails is the test's message."""
    said = subprocess.run(list(command), check=False, capture_output=True, text=True, cwd=cwd)
    assert said.returncode == 0, f"{said.args}\n{said.stdout[-3000:]}\n{said.stderr[-3000:]}"
    return said.stdout


def write_config(of: Product, folder: Path, trust: Trust | None = None, *, development: bool = True) -> None:
    from workshop import trust_of

    folder.mkdir(parents=True, exist_ok=True)
    (folder / "seal_config.h").write_text(config_header(of, trust or trust_of(of), development=development))
    (folder / "seal_options.h").write_text(options_header(of))


@functools.cache
def _objects() -> Path:
    """Where objects are kept: in the temporary folder of the test run, whose processes share them, or for this process."""
    shared = os.environ.get("IMGSEAL_TESTS_OBJECTS")
    if shared is None:
        folder = tempfile.mkdtemp(prefix="objects-")
        atexit.register(shutil.rmtree, folder)
        return Path(folder)
    return Path(shared)


def compiled(compiler: Sequence[str], options: Path, source: Path, *includes: str) -> Path:
    """The object of one of our sources, which depend on a product by `seal_options.h` alone: compiled once in a test run.

    `options` is the folder of that file; a source in a folder of its own brings its headers.
    """
    text = (options / "seal_options.h").read_text()
    asked = [line.split("/*")[0].split() for line in text.splitlines() if line.startswith("#define")]
    state = hashlib.sha256(repr((tuple(compiler), asked, source.name, includes)).encode())
    folders = (Path(option.removeprefix("-I")) for option in includes)
    for path in (
        source,
        *sorted(source.parent.glob("*.h")),
        *(p for each in folders for p in sorted(each.glob("*.[ch]"))),
    ):
        state.update(path.read_bytes())
    target = _objects() / f"{state.hexdigest()}.o"
    if not target.exists():
        part = target.with_suffix(f".{os.getpid()}")
        run([*compiler, f"-I{options}", f"-I{source.parent}", *includes, "-c", source, "-o", part])
        part.replace(target)  # another process may have made the same
    return target


def build_crypto(folder: Path, compiler: str, flags: tuple[str, ...], *, second: bool = False) -> Path:
    """Put an archive of BearSSL's part into a folder; with `second` also what verifies ML-DSA-44.

    It is compiled once for each compiler, its flags and what is compiled, and kept beside the fetched sources.
    """
    archive = folder / "crypto.a"
    if not archive.exists():
        folder.mkdir(parents=True, exist_ok=True)
        kept = bearssl().parent / "built" / _digest(compiler, flags, second=second)
        if not kept.exists():
            kept.parent.mkdir(exist_ok=True)
            with tempfile.TemporaryDirectory(dir=kept.parent) as work:
                made = _compile_crypto(Path(work), compiler, flags, second=second)
                made.replace(kept)  # another process may have made the same
        archive.symlink_to(kept)
    return archive


def _digest(compiler: str, flags: tuple[str, ...], *, second: bool) -> str:
    state = hashlib.sha256(repr((run([compiler, "--version"]), flags, second)).encode())
    adapter = [HERE / "ml_dsa_44.c", *sorted(SOURCES.glob("*.h")), *sorted(PLAIN.glob("*.h"))] if second else []
    fetched = [path for root in (bearssl(), *((ml_dsa(),) if second else ())) for path in sorted(root.rglob("*.[ch]"))]
    for path in adapter + fetched:
        state.update(path.read_bytes())
    return f"{state.hexdigest()[:32]}.a"


def _compile_crypto(folder: Path, compiler: str, flags: tuple[str, ...], *, second: bool) -> Path:
    source = bearssl()
    files = [source / "src" / name for name in CRYPTO]
    run([compiler, *flags, "-c", f"-I{source / 'inc'}", f"-I{source / 'src'}", *files], cwd=folder)
    tool = compiler.removesuffix("gcc") + "ar" if compiler.endswith("-gcc") else "ar"
    if second:
        other = ml_dsa()
        includes = (f"-I{other / 'common'}", f"-I{other / 'clean'}")
        run([compiler, *flags, "-w", "-c", *includes, *(other / name for name in SECOND)], cwd=folder)
        run(
            [compiler, *flags, "-c", "-DSEAL_ML_DSA_44", *includes, f"-I{SOURCES}", f"-I{PLAIN}", HERE / "ml_dsa_44.c"],
            cwd=folder,
        )
    names = (*CRYPTO, *((*SECOND, "ml_dsa_44.c") if second else ()))
    archive = folder / "crypto.a"
    run([tool, "rcs", archive, *(folder / f"{Path(name).stem}.o" for name in names)])
    return archive


def build_runner(
    of: Product, folder: Path, compiler: str, flags: tuple[str, ...], crypto: Path, tail: tuple[str, ...] = (), main: str = "kit_main",
) -> Path:  # fmt: skip
    """Compile a runner of kit cases for one product; our sources under the strict warnings."""
    write_config(of, folder)
    relaxed = [compiler, "-std=c99", *flags]
    objects = [
        *(
            compiled([compiler, *STRICT, *flags], folder, SOURCES / f"{name}.c")
            for name in ("seal_image", "seal_package")
        ),
        compiled(relaxed, folder, SOURCES / "seal_bearssl.c", f"-I{bearssl() / 'inc'}"),
    ]
    program = folder / main
    run([*relaxed, f"-I{folder}", f"-I{SOURCES}", HERE / f"{main}.c", *objects, crypto, *tail, "-o", program])
    return program
