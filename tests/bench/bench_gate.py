"""Measures `imgseal gate` over many sealed images against `openssl dgst -sha256` over the same files; time and peak memory.

    python tests/bench/bench_gate.py [--files 2000] [--runs 5] [--jobs 2]

Whole processes, run in turn; the median of the ratios is printed. The search for private keys is left out of the ratio, as openssl does nothing
like it, and is reported apart. The files are in the page cache for both. Memory is the proportional set size of all processes together.
"""

import argparse
import hashlib
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / each) for each in ("", "cli", "gate", "keys"))]

SIZE = 512 << 10
GATE = """
import gc, sys
gc.set_threshold(100_000)
import imgseal.gate.command
imgseal.gate.command._FIND_KEYS = {scan}
from imgseal.cli.app import run
sys.exit(run(sys.argv[1:]))
"""


def make(folder: Path, count: int) -> list[str]:
    """Write product file, keys, sealed images of 512 KiB in all, and a log that has them; return their paths."""
    from gate_tree import log_line_for, sealed, settings
    from workshop import write_project

    from imgseal.formats.log.lines import EMPTY
    from imgseal.product.starter import product_text

    write_project(folder, settings(product_text()))
    tip: object = EMPTY
    paths = []
    release: dict[str, bytes] = {}  # four images are one
    filler = b"".join(hashlib.sha256(b"%d" % n).digest() for n in range(SIZE // 32))
    with (folder / "release.log").open("wb") as log:
        for number in range(count):
            path = folder / "out" / f"{number // 100:03}" / f"{number:06}.sealed.bin"
            path.parent.mkdir(parents=True, exist_ok=True)
            data = sealed("phrases", number.to_bytes(8, "big") + filler[: SIZE - 1024 - 8])
            path.write_bytes(data)
            release[f"phrases-{number % 4}"] = data
            if number % 4 == 3 or number == count - 1:
                line, tip = log_line_for(tip, number + 1, release, bytes(32))
                log.write(line + b"\n")
                release = {}
            paths.append(str(path.relative_to(folder)))
    return paths


def timed(command: list[str], cwd: Path) -> tuple[float, float]:
    """Return the seconds that a command takes, and those of processors that it and its children use."""
    before, start = os.times(), time.perf_counter()
    said = subprocess.run(command, cwd=cwd, stdout=subprocess.DEVNULL, check=False)
    seconds, after = time.perf_counter() - start, os.times()
    if said.returncode:
        sys.exit(f"failed: {' '.join(command[:6])}")
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return seconds, used


def memory(command: list[str], cwd: Path) -> float:
    """Run a command and return the most that it and its children have held together, in MiB."""
    child = subprocess.Popen(command, cwd=cwd, stdout=subprocess.DEVNULL)
    most = 0.0
    while child.poll() is None:
        most = max(most, held(child.pid))
        time.sleep(0.02)
    return most


def held(pid: int) -> float:
    total = 0
    try:
        pids = [pid, *(int(each) for each in Path(f"/proc/{pid}/task/{pid}/children").read_text().split())]
    except OSError:
        return 0.0
    for each in pids:
        try:
            rows = Path(f"/proc/{each}/smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        total += sum(int(row.split()[1]) for row in rows if row.startswith("Pss:"))
    return total / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the gate.")
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    os.environ["PYTHONPATH"] = str(ROOT)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = make(folder, options.files)
        gate = [sys.executable, "-c", GATE.format(scan=False), "gate", "out", "--jobs", str(options.jobs)]
        scanning = [sys.executable, "-c", GATE.format(scan=True), *gate[3:]]
        digest = ["openssl", "dgst", "-sha256", *paths]
        for command in (gate, digest):
            timed(command, folder)
        rows = [(timed(gate, folder), timed(digest, folder), timed(scanning, folder)) for _ in range(options.runs)]
        medians = [[statistics.median(row[n][m] for row in rows) for m in (0, 1)] for n in range(3)]
        ratio = statistics.median(row[0][0] / row[1][0] for row in rows)
        scan = statistics.median(row[2][0] - row[0][0] for row in rows)
        words = [f"{wall:.2f} s ({cpu:.2f} s of processors)" for wall, cpu in medians]
        print(f"{options.files} sealed images of 512 KiB, {options.jobs} processes; load {os.getloadavg()[0]:.1f}")
        print(f"gate {words[0]}   openssl dgst -sha256 {words[1]}   ratio {ratio:.2f}   (at most 1.1)")
        print(f"with the search for private keys {words[2]}: {scan:.2f} s more")
        print(f"peak memory of all processes {memory(scanning, folder):.0f} MiB   (at most 200 MiB)")


if __name__ == "__main__":
    main()
