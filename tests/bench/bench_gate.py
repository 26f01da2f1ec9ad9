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
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / each) for each in ("", "cli", "keys"))]

SIZE = 512 << 10
GATE = """
import gc, sys
gc.set_threshold(100_000)
import imgseal.cli.gate
imgseal.cli.gate._SCAN = {scan}
from imgseal.cli.app import run
sys.exit(run(sys.argv[1:]))
"""


def make(folder: Path, count: int) -> list[str]:
    """Write product file, keys, sealed images of 512 KiB in all, and a log that has them; return their paths."""
    from gate_tree import log_line_for, sealed, settings
    from workshop import write_project

    from imgseal.demo.scenario import product_text
    from imgseal.ledger.log import EMPTY

    write_project(folder, settings(product_text()))
    tip: object = EMPTY
    paths = []
    filler = b"".join(hashlib.sha256(b"%d" % n).digest() for n in range(SIZE // 32))
    with (folder / "release.log").open("wb") as log:
        for number in range(count):
            path = folder / "out" / f"{number // 100:03}" / f"{number:06}.sealed.bin"
            path.parent.mkdir(parents=True, exist_ok=True)
            data = sealed("phrases", number.to_bytes(8, "big") + filler[: SIZE - 1024 - 8])
            path.write_bytes(data)
            line, tip = log_line_for(tip, number + 1, {"phrases": data}, bytes(32))
            log.write(line + b"\n")
            paths.append(str(path.relative_to(folder)))
    return paths


def timed(command: list[str], cwd: Path) -> float:
    start = time.perf_counter()
    said = subprocess.run(command, cwd=cwd, stdout=subprocess.DEVNULL, check=False)
    seconds = time.perf_counter() - start
    if said.returncode:
        sys.exit(f"failed: {' '.join(command[:6])}")
    return seconds


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
        ours, theirs, scanned = (statistics.median(row[n] for row in rows) for n in range(3))
        ratio = statistics.median(row[0] / row[1] for row in rows)
        scan = statistics.median(row[2] - row[0] for row in rows)
        print(f"{options.files} sealed images of 512 KiB, {options.jobs} processes; load {os.getloadavg()[0]:.1f}")
        print(f"gate {ours:.2f} s   openssl dgst -sha256 {theirs:.2f} s   ratio {ratio:.2f}   (at most 1.0)")
        print(f"with the search for private keys {scanned:.2f} s: {scan:.2f} s of it")
        print(f"peak memory of all processes {memory(scanning, folder):.0f} MiB   (at most 200 MiB)")


if __name__ == "__main__":
    main()
