"""Measures the release log: adding to logs of 10, 1,000 and 100,000 entries, verifying, proving.

    python tests/bench/bench_log.py [--runs 200]

Adding is measured as `build --release` does it: lock, last line, two fsync. "without fsync" is what imgseal itself takes: it should not
depend on the size. Medians; the file lies in the temporary folder.
"""

import argparse
import os
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "formats" / "log"))

from log_book import draft

from imgseal.formats.log.lines import EMPTY, added, is_whole, resume
from imgseal.formats.log.proof import prove_consistency, prove_inclusion
from imgseal.limits import LOG_BYTES, LOG_LINE_BYTES
from imgseal.workspace.append import append_line
from imgseal.workspace.log_file import LogFile

SIZES = (10, 1_000, 100_000)


def grow(path: str, size: int) -> None:
    """Write a log with `size` entries; releases repeat their version, not their sequence."""
    tip = EMPTY
    with open(path, "wb") as stream:
        for number in range(size):
            line, step = added(tip, draft(number))
            tip = step.tip
            stream.write(line + b"\n")


def add(path: str) -> None:
    def next_line(last: bytes | None, at: int) -> bytes:
        tip = EMPTY if last is None else resume(last, at)
        return added(tip, draft(tip.size))[0]

    append_line(path, LOG_LINE_BYTES, LOG_BYTES, next_line, is_whole)


def median_ms(work: Callable[[], object], runs: int) -> float:
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times) * 1000


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the release log.")
    parser.add_argument("--runs", type=int, default=200)
    runs = parser.parse_args().runs
    real = os.fsync
    with tempfile.TemporaryDirectory() as folder:
        for size in SIZES:
            path = os.path.join(folder, "release.log")
            grow(path, size)
            with_fsync = median_ms(lambda path=path: add(path), runs)  # type: ignore[misc]
            os.fsync = lambda fd: None  # noqa: ARG005
            without = median_ms(lambda path=path: add(path), runs)  # type: ignore[misc]
            os.fsync = real
            log = LogFile(path)
            start = time.perf_counter()
            last = None
            for step in log.walk():
                last = step.entry
            verify = time.perf_counter() - start
            assert last is not None
            entry = last
            inclusion = median_ms(lambda log=log, entry=entry: prove_inclusion(entry, log.leaves), 3)  # type: ignore[misc]
            consistency = median_ms(lambda log=log: prove_consistency(log.leaves, log.tip.size // 3), 3)  # type: ignore[misc]
            print(
                f"{size:>7} entries   add {with_fsync:6.2f} ms, without fsync {without:5.2f} ms   verify {verify:7.2f} s "
                f"({verify / log.tip.size * 1e6:.0f} us an entry, {os.path.getsize(path) / 1e6:.1f} MB)   "
                f"prove {inclusion:.1f} and {consistency:.1f} ms   path {len(prove_inclusion(entry, log.leaves).path)}"
            )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
