"""Builds pairs of firmware of 340 KB from Debian's sources of lwip and mbedtls with the Arm compiler, once a machine.

python tests/delta/firmware_pairs.py [NAME...]: the variants that are named, else all, into .sources/pairs/built.
"""

import hashlib
import random
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

HERE = Path(__file__).parent / "pairs"
SLOT_A, SLOT_B = 0x2_0400, 0x7_0400
COMPILER = "arm-none-eabi-gcc"
LEFT_OUT = (
    "fsdata.c", "makefsdata", "slipif", "lwiperf", "netbios", "snmp_netconn", "threadsync", "snmpv3_dummy",
    "altcp_proxyconnect", "tcpip.c", "api/", "ppp", "lowpan6", "bridgeif", "zepif",
)  # fmt: skip
NEEDS_FILES = {"net_sockets.c", "timing.c", "psa_its_file.c", "psa_crypto_storage.c"}

FIX: dict[str, Any] = {"fix": True, "version": "2.4.1"}
FEATURE: dict[str, Any] = {"feature": True, "fix": True, "version": "2.5.0"}
LWIP: dict[str, Any] = {"lwip": "trixie", "version": "2.5.0"}
OTHER_SLOT: dict[str, Any] = {"base": SLOT_B}
LTO: dict[str, Any] = {"flags": "-Os -flto -ffat-lto-objects"}
VARIANTS: dict[str, dict[str, Any]] = {
    "base": {},
    "fix": FIX,
    "table": {"seed": 7, "version": "2.4.1"},
    "order": {"order": ("main.c", "rest.c", "valve.c", "tables.c"), "version": "2.4.1"},
    "feature": FEATURE,
    "lwip": LWIP,
    "o2": {"flags": "-O2"},
    "o2-fix": {"flags": "-O2", **FIX},
    "lto": LTO,
    "lto-fix": {**LTO, **FIX},
    "b": OTHER_SLOT,
    "b-fix": {**FIX, **OTHER_SLOT},
    "b-lwip": {**LWIP, **OTHER_SLOT},
    "m0": {"cpu": "cortex-m0plus"},
    "m0-fix": {"cpu": "cortex-m0plus", **FIX},
    "m0-lwip": {"cpu": "cortex-m0plus", **LWIP},
    "m33": {"cpu": "cortex-m33"},
    "m33-fix": {"cpu": "cortex-m33", **FIX},
    "movw": {"flags": "-Os -mslow-flash-data"},
    "movw-fix": {"flags": "-Os -mslow-flash-data", **FIX},
    "o1": {"flags": "-O1"},
    "o1-fix": {"flags": "-O1", **FIX},
    "o1-lwip": {"flags": "-O1", **LWIP},
    "o2-b-fix": {"flags": "-O2", **FIX, **OTHER_SLOT},
    "o2-feature": {"flags": "-O2", **FEATURE},
    "o2-lwip": {"flags": "-O2", **LWIP},
    "o3": {"flags": "-O3"},
    "o3-fix": {"flags": "-O3", **FIX},
    "og": {"flags": "-Og"},
    "og-fix": {"flags": "-Og", **FIX},
    "lto-lwip": {**LTO, **LWIP},
    "m0-b-fix": {"cpu": "cortex-m0plus", **FIX, **OTHER_SLOT},
    "m0-feature": {"cpu": "cortex-m0plus", **FEATURE},
    "m3": {"cpu": "cortex-m3"},
    "m3-fix": {"cpu": "cortex-m3", **FIX},
    "m33-b": {"cpu": "cortex-m33", **OTHER_SLOT},
    "m33-feature": {"cpu": "cortex-m33", **FEATURE},
    "m33-lwip": {"cpu": "cortex-m33", **LWIP},
    "feature-lwip": {"feature": True, "fix": True, **LWIP},
}


class Pair(NamedTuple):
    """Two of the variants, and at most how many times the smaller patch of two general-purpose tools ours may have."""

    name: str
    old: str
    new: str
    bar: float


PAIRS = (
    Pair("fix of one function", "base", "fix", 0.15),
    Pair("twenty numbers of a table", "base", "table", 1.0),
    Pair("four files linked in another order", "base", "order", 1.0),
    Pair("feature, two modules", "base", "feature", 0.36),
    Pair("library", "base", "lwip", 0.6),
    Pair("-Os to -O2", "base", "o2", 1.0),
    Pair("fix at -O2", "o2", "o2-fix", 0.15),
    Pair("fix with link-time optimisation", "lto", "lto-fix", 0.15),
    Pair("same code, other slot", "base", "b", 0.15),
    Pair("fix, other slot", "base", "b-fix", 0.15),
    Pair("fix, and back to the first slot", "b", "fix", 0.15),
    Pair("library, other slot", "base", "b-lwip", 0.6),
    Pair("fix, Cortex-M0+", "m0", "m0-fix", 0.15),
    Pair("library, Cortex-M0+", "m0", "m0-lwip", 0.6),
    Pair("fix, Cortex-M33", "m33", "m33-fix", 0.15),
    Pair("fix, addresses by MOVW and MOVT", "movw", "movw-fix", 0.15),
)

OTHERS = (
    Pair("fix at -O1", "o1", "o1-fix", 0.15),
    Pair("fix at -O3", "o3", "o3-fix", 0.15),
    Pair("fix at -Og", "og", "og-fix", 0.15),
    Pair("fix, Cortex-M3", "m3", "m3-fix", 0.15),
    Pair("fix at -O2, other slot", "o2", "o2-b-fix", 0.15),
    Pair("fix, Cortex-M0+, other slot", "m0", "m0-b-fix", 0.15),
    Pair("same code, Cortex-M33, other slot", "m33", "m33-b", 0.15),
    Pair("feature at -O2", "o2", "o2-feature", 0.36),
    Pair("feature, Cortex-M0+", "m0", "m0-feature", 0.36),
    Pair("feature, Cortex-M33", "m33", "m33-feature", 0.36),
    Pair("feature taken back", "feature", "base", 0.36),
    Pair("library at -O1", "o1", "o1-lwip", 0.6),
    Pair("library at -O2", "o2", "o2-lwip", 0.6),
    Pair("library, Cortex-M33", "m33", "m33-lwip", 0.6),
    Pair("library, link-time optimisation", "lto", "lto-lwip", 0.6),
    Pair("library and feature", "base", "feature-lwip", 0.6),
    Pair("library taken back", "lwip", "base", 0.6),
    Pair("-O1 to -Os", "o1", "base", 1.0),
    Pair("-O2 to -O3", "o2", "o3", 1.0),
    Pair("Cortex-M4 to Cortex-M33", "base", "m33", 1.0),
)
"""Pairs that nothing was tuned with."""


def base_of(name: str) -> int:
    """Where the variant is linked."""
    return int(VARIANTS[name].get("base", SLOT_A))


def built(name: str) -> Path:
    """The flat firmware of a variant, built where it is not there yet."""
    folder = _fetched() / "built"
    folder.mkdir(exist_ok=True)
    target = folder / f"{name}.bin"
    if not target.exists():
        _build(name, VARIANTS[name], folder)
    return target


def _fetched() -> Path:
    return Path(subprocess.check_output([HERE / "fetch.sh"], text=True).strip())


def _tables(seed: int) -> str:
    """Source text of the constant tables; with a seed twenty of their numbers are others."""
    sums = []
    for value in range(256):
        for _ in range(8):
            value = (value >> 1) ^ (0xEDB8_8320 if value & 1 else 0)  # noqa: PLW2901 - a shift register
        sums.append(f"0x{value:08x}u")
    draw = random.Random(1)
    rows = [[draw.randrange(80000), 0, draw.randrange(3000), draw.randrange(8)] for _ in range(64)]
    for row in rows:
        row[1] = row[0] + draw.randrange(600, 7000)
    other = random.Random(seed)
    for _ in range(20 if seed else 0):
        rows[other.randrange(64)][2] = other.randrange(3000)
    table = ",".join("{{{}u,{}u,{},{}}}".format(*row) for row in rows)
    return f"const uint32_t crc_table[256] = {{{','.join(sums)}}};\nconst struct schedule schedule[64] = {{{table}}};\n"


def _sources(variant: dict[str, Any], there: Path) -> Iterator[Path]:
    feature = variant.get("feature", False)
    order = variant.get("order", ("tables.c", "valve.c", "rest.c", "main.c"))
    yield from (HERE / name for name in ("start.c", *order, *(("history.c",) if feature else ())))
    lwip = there / f"lwip-{variant.get('lwip', 'bookworm')}" / "src"
    for path in sorted(lwip.rglob("*.c")):
        name = path.relative_to(lwip).as_posix()
        if not any(part in name for part in LEFT_OUT) and (feature or not ("tftp" in name or "smtp" in name)):
            yield path
    yield from (
        path for path in sorted((there / "mbedtls-bookworm/library").glob("*.c")) if path.name not in NEEDS_FILES
    )


def _build(name: str, variant: dict[str, Any], folder: Path) -> None:
    there = folder.parent
    lwip = f"lwip-{variant.get('lwip', 'bookworm')}/src"
    flags = variant.get("flags", "-Os").split()
    core = [f"-mcpu={variant.get('cpu', 'cortex-m4')}", "-mthumb"]
    tables = folder / f"tables{variant.get('seed', 0)}"
    tables.mkdir(exist_ok=True)
    (tables / "gen_tables.h").write_text(_tables(variant.get("seed", 0)))
    places = (
        HERE,
        HERE / "cfg",
        there / lwip / "include",
        there / "mbedtls-bookworm/include",
        there / "mbedtls-bookworm/library",
    )
    common = [
        COMPILER, *core, *flags, "-std=gnu11", "-w", "-ffunction-sections", "-fdata-sections",
        "-DMBEDTLS_CONFIG_FILE=<mbed_cfg.h>", "-DMBED_MAJOR=2", *(f"-I{place}" for place in places),
    ]  # fmt: skip
    ours = [
        f"-I{tables}", f'-DVERSION="{variant.get("version", "2.4.0")}"', *(["-DFIX"] if variant.get("fix") else []),
        *(["-DFEATURE"] if variant.get("feature") else []), *([] if "lwip" in variant else ["-DMDNS_TTL"]),
    ]  # fmt: skip
    headers = "".join(path.read_text() for path in sorted(HERE.rglob("*.h")))

    def compile_one(source: Path) -> Path:
        own = source.parent == HERE
        command = [*common, *(ours if own else ())]
        if source.name == "altcp_tls_mbedtls.c":
            command.append("-Dstart=ciphersuite")  # a member of sessions that is there only with a clock
        tables_text = (tables / "gen_tables.h").read_text() if own else ""
        text = "\0".join((*command, str(source), source.read_text(errors="replace"), headers, tables_text))
        target = folder / f"{source.stem}-{hashlib.sha256(text.encode()).hexdigest()[:20]}.o"
        if not target.exists():
            subprocess.run([*command, "-c", source, "-o", target], check=True)
        return target

    with ThreadPoolExecutor(2) as pool:
        objects = list(pool.map(compile_one, _sources(variant, there)))
    script = folder / f"{name}.ld"
    script.write_text((HERE / "link.ld.in").read_text().replace("@BASE@", hex(variant.get("base", SLOT_A))))
    linked = folder / f"{name}.elf"
    subprocess.run(
        [COMPILER, *core, *flags, "-nostartfiles", "--specs=nosys.specs", "-Wl,--gc-sections", "-Wl,--no-warnings", "-T", script,
         f"-Wl,-Map={folder / name}.map", *objects, "-lm", "-o", linked],
        check=True,
    )  # fmt: skip
    subprocess.run(["arm-none-eabi-objcopy", "-O", "binary", linked, folder / f"{name}.bin"], check=True)


def main() -> None:
    for name in sys.argv[1:] or VARIANTS:
        print(name, built(name).stat().st_size, flush=True)


if __name__ == "__main__":
    main()
