"""Measures `imgseal gate` with two Dask workers on this machine against two processes: what spreading over machines costs.

    python tests/bench/bench_fleet.py [--files 3000] [--size 524288] [--runs 5]

Whole processes, run in turn, the files in the page cache; the median of the ratios is printed. The workers are running
before the first measurement; the client's start, loading Dask included, is part of it. Needs imgseal[fleet].
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / each) for each in ("", "bench", "cli", "gate", "keys"))]


def cluster(folder: Path) -> tuple[str, list[subprocess.Popen[bytes]]]:
    """Start a scheduler and two workers of a thread each; return the address and the processes."""
    note = folder / "scheduler.json"
    processes: list[subprocess.Popen[bytes]] = []

    def start(what: str, *arguments: str) -> None:
        command = [sys.executable, "-m", f"distributed.cli.dask_{what}", *arguments, "--no-dashboard"]
        processes.append(subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))

    start("scheduler", "--scheduler-file", str(note), "--host", "127.0.0.1", "--port", "0")
    while not note.exists() or not note.read_text().rstrip().endswith("}"):
        time.sleep(0.1)
    address = str(json.loads(note.read_text())["address"])
    for _ in range(2):
        start("worker", address, "--nthreads", "1", "--no-nanny", "--local-directory", str(folder))
    time.sleep(5)
    return address, processes


def main() -> None:
    import bench_gate  # type: ignore[import-not-found] # beside this file

    parser = argparse.ArgumentParser(description="Measure the gate with Dask workers.")
    parser.add_argument("--files", type=int, default=3000)
    parser.add_argument("--size", type=int, default=bench_gate.SIZE)
    parser.add_argument("--runs", type=int, default=5)
    options = parser.parse_args()
    os.environ["PYTHONPATH"] = str(ROOT)
    bench_gate.SIZE = options.size
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bench_gate.make(folder, options.files)
        address, processes = cluster(folder)
        gate = [sys.executable, "-m", "imgseal", "gate", "out"]
        local, fleet = [*gate, "--jobs", "2"], [*gate, "--workers", address]
        try:
            for command in (local, fleet):
                bench_gate.timed(command, folder)
            rows = [
                (bench_gate.timed(local, folder)[0], bench_gate.timed(fleet, folder)[0]) for _ in range(options.runs)
            ]
        finally:
            for process in reversed(processes):
                process.kill()
                process.wait()
        two, spread = (statistics.median(row[n] for row in rows) for n in (0, 1))
        ratio = statistics.median(row[1] / row[0] for row in rows)
        print(f"{options.files} sealed images of {options.size} bytes; load {os.getloadavg()[0]:.1f}")
        print(f"two processes {two:.2f} s   two workers {spread:.2f} s   ratio {ratio:.2f}   (at most 1.5)")


if __name__ == "__main__":
    main()
