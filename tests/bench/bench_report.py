"""Measures the report for the demo: time of the whole process, and size of the page.

    python tests/bench/bench_report.py [--runs 7]

Runs the demo in a temporary folder, then `imgseal report` with --previous several times, and prints the median; once more with --rehearse,
which plays every power cut and has no bar of its own (see bench_rehearse.py).
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PACKAGE, PREVIOUS = "out/vent-drive-2.4.1-17.suit", "out-old/vent-drive-2.4.0-16.suit"


def run(folder: Path, *arguments: str) -> float:
    command = [sys.executable, "-m", "imgseal", *arguments]
    root = str(Path(__file__).parents[2])
    start = time.perf_counter()
    subprocess.run(command, cwd=folder, check=True, stdout=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": root})
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=7)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as name:
        demo = Path(name) / "demo"
        run(Path(name), "demo", str(demo))
        report = ("report", PACKAGE, "--previous", PREVIOUS, "--out", "report.html")
        times = [run(demo, *report) for _ in range(runs)]
        size = (demo / "report.html").stat().st_size
        print(
            f"report of the demo    {statistics.median(times):6.2f} s    {size / 1000:6.1f} KB   (at most 1.5 s and 300 KB)"
        )
        seconds = run(demo, *report, "--rehearse")
        size = (demo / "report.html").stat().st_size
        print(f"with the rehearsal    {seconds:6.2f} s    {size / 1000:6.1f} KB   (at most 300 KB)")


if __name__ == "__main__":
    main()
