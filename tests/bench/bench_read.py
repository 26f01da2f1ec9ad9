"""Measures reading and writing firmware: time and peak memory, against objcopy, intelhex and bincopy.

    python tests/bench/bench_read.py [--runs 5] [--quick]

Every figure is a process of its own, start-up included, as a build script would pay it; the median of several runs
after one to warm up, and the highest memory of any. The system counts this script's own memory, about 20 MiB, as the
least. The libraries read 1 MiB only: 64 MiB takes them minutes. Files are made in a temporary folder.
"""

import argparse
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from multiprocessing import Process

from imgseal.formats.source.intel_hex_writer import write_intel_hex

MIB = 1 << 20
OURS = """
import os, sys
from imgseal.formats.source import read
from imgseal.formats.memory.store import ByteStore
with open(sys.argv[1], "rb") as stream, open(sys.argv[2], "w+b") as kept:
    image = read(stream, name=sys.argv[1], store=ByteStore(kept) if sys.argv[2] != os.devnull else None)
    assert image.size == int(sys.argv[3])
"""
WRITE = """
import sys
from imgseal.formats.source.intel_hex_writer import write_intel_hex
data = open(sys.argv[1], "rb")
with open(sys.argv[2], "wb") as out:
    pieces = iter(lambda: data.read(1 << 20), b"")
    for text in write_intel_hex((n << 20, piece) for n, piece in enumerate(pieces)):
        out.write(text)
"""
INTELHEX = "import sys, intelhex; intelhex.IntelHex(sys.argv[1])"
BINCOPY = "import sys, bincopy; bincopy.BinFile(sys.argv[1])"


def measure(command: list[str], runs: int) -> tuple[float, float]:
    """Return the median of the seconds and the highest MiB of resident memory."""
    times, peak = [], 0
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    if runs > 1:
        subprocess.run(command, check=True, env=environment)
    for _ in range(runs):
        start = time.perf_counter()
        child = subprocess.Popen(command, env=environment)
        _, status, usage = os.wait4(child.pid, 0)
        times.append(time.perf_counter() - start)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode:
            sys.exit(f"failed: {command[0]}")
        peak = max(peak, usage.ru_maxrss)
    return statistics.median(times), peak / 1024


def shuffled(data: bytes) -> Iterator[bytes]:
    """Yield 16-byte records in random order, each behind its address record."""
    order = list(range(0, len(data), 16))
    random.Random(1).shuffle(order)
    for at in order:
        yield b"".join(write_intel_hex([(at, data[at : at + 16])])).removesuffix(b":00000001FF\n")
    yield b":00000001FF\n"


def paths_of(folder: str, mib: int) -> dict[str, str]:
    """Return kind -> path."""
    return {kind: os.path.join(folder, f"{mib}.{kind}") for kind in ("bin", "hex", "crlf", "shuffled", "srec")}


def make(folder: str, mib: int, *, also_shuffled: bool) -> None:
    """Make the files of one size."""
    paths = paths_of(folder, mib)
    data = random.Random(mib).randbytes(mib * MIB)
    with open(paths["bin"], "wb") as out:
        out.write(data)
    with open(paths["hex"], "wb") as out:
        out.writelines(write_intel_hex([(0, data)]))
    with open(paths["hex"], "rb") as text, open(paths["crlf"], "wb") as out:
        out.writelines(line.replace(b"\n", b"\r\n") for line in text)
    if also_shuffled:
        with open(paths["shuffled"], "wb") as out:
            out.writelines(shuffled(data))
    if shutil.which("objcopy"):
        subprocess.run(["objcopy", "-I", "ihex", "-O", "srec", paths["hex"], paths["srec"]], check=True)


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure reading firmware.")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--quick", action="store_true", help="leave out the shuffled 64 MiB, which take a minute")
    options = parser.parse_args()
    python, objcopy = sys.executable, shutil.which("objcopy")
    with tempfile.TemporaryDirectory() as folder:
        for mib in (1, 64):
            # in a process of its own, so that this one stays small
            maker = Process(target=make, args=(folder, mib), kwargs={"also_shuffled": mib == 1 or not options.quick})
            maker.start()
            maker.join()
            paths = paths_of(folder, mib)
            out = os.path.join(folder, "out")
            jobs: list[tuple[str, list[str], int]] = []
            if objcopy:
                jobs.append(
                    ("objcopy reads HEX", [objcopy, "-I", "ihex", "-O", "binary", paths["hex"], out], options.runs)
                )
                jobs.append(
                    ("objcopy reads S3", [objcopy, "-I", "srec", "-O", "binary", paths["srec"], out], options.runs)
                )
                jobs.append(
                    ("objcopy writes HEX", [objcopy, "-I", "binary", "-O", "ihex", paths["bin"], out], options.runs)
                )
            size = str(mib * MIB)
            for where, store in (("memory", os.devnull), ("file", out)):
                for kind in ("hex", "crlf", "srec", "shuffled"):
                    if os.path.exists(paths[kind]):
                        runs = 1 if kind == "shuffled" and mib > 1 else options.runs
                        jobs.append((f"ours, {kind}, in {where}", [python, "-c", OURS, paths[kind], store, size], runs))
            jobs.append(("ours writes HEX", [python, "-c", WRITE, paths["bin"], out], options.runs))
            jobs.append(("python alone", [python, "-c", "pass"], options.runs))
            if mib == 1:
                jobs.append(("intelhex reads HEX", [python, "-c", INTELHEX, paths["hex"]], min(options.runs, 3)))
                jobs.append(("bincopy reads HEX", [python, "-c", BINCOPY, paths["hex"]], min(options.runs, 3)))
            report(mib, jobs)


def report(mib: int, jobs: list[tuple[str, list[str], int]]) -> None:
    sys.stdout.write(f"{mib} MiB of data, 16 bytes a record\n")
    base: float | None = None
    for name, command, runs in jobs:
        seconds, peak = measure(command, runs)
        base = base or seconds
        sys.stdout.write(
            f"  {name:26s} {seconds:9.3f} s  {seconds / base:7.2f} of the first  {peak:7.0f} MiB  ({runs} runs)\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
