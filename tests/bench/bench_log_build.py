"""Measures what a release log of 10,000 entries costs a build: reading and verifying it, and looking for the release in it.

    python tests/bench/bench_log_build.py [--entries 10000] [--runs 20]

The log is of format 3, with four images a release, as the demo's product has them. "first" is a log that this machine has never
verified; "then" one whose first lines are known by their digest, with one entry more each time, as every build after the first finds
it; the parts of it below. Medians of wall time; the aim is 20 ms.
"""

import argparse
import hashlib
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "formats" / "log"))

from log_book import CLASS, draft, key
from mixed_book import ANCHORS, layout

from imgseal.formats.log.entry import Entry, LoggedImage
from imgseal.formats.log.lines import EMPTY, added
from imgseal.versions import Version
from imgseal.workspace.last_numbers import last_numbers
from imgseal.workspace.verified_log import VerifiedLog, _loaded, verified_log

SLOTS = ("motor-a", "motor-b", "radio", "phrases")


def release(number: int) -> Entry:
    """Release `number`: one package of four images."""
    made = draft(number)
    images = tuple(
        LoggedImage(
            1 + index // 2, "motor", slot, Version(2, number, 0), 3,
            hashlib.sha256(f"{number} {slot}".encode()).digest(), (key("images"),),
        )
        for index, slot in enumerate(SLOTS)
    )  # fmt: skip
    package = made.packages[0]._replace(images=images, layout=layout(0) if number == 0 else None)
    return made._replace(
        format=3, version=Version(2, number, 0), packages=(package,), witness=number, anchors=ANCHORS, bootloader=None
    )


def times_of(work: Callable[[], object], runs: int) -> str:
    """Median and least of the time that it takes, and the least of the processors' time."""
    times, processors = [], []
    for _ in range(runs):
        start, processor = time.perf_counter(), time.process_time()
        work()
        times.append((time.perf_counter() - start) * 1000)
        processors.append((time.process_time() - processor) * 1000)
    return f"{statistics.median(times):9.1f} ms, least {min(times):6.1f} ms ({min(processors):6.1f} ms of processors)"


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure what a long release log costs a build.")
    parser.add_argument("--entries", type=int, default=10_000)
    parser.add_argument("--runs", type=int, default=20)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_CACHE_HOME"] = os.path.join(folder, "cache")
        path = os.path.join(folder, "release.log")
        tip = EMPTY
        with open(path, "wb") as stream:
            for number in range(arguments.entries):
                line, step = added(tip, release(number))
                tip = step.tip
                stream.write(line + b"\n")
        size = os.path.getsize(path)
        print(f"{arguments.entries} entries, {size / 1e6:.1f} MB")
        print(f"first      {times_of(lambda: verified_log(path), 1)}")
        logs: list[VerifiedLog] = []

        def one_more() -> None:
            nonlocal tip
            line, step = added(tip, release(tip.size))
            tip = step.tip
            with open(path, "ab") as stream:
                stream.write(line + b"\n")

        def as_a_release_asks() -> None:
            logs.clear()  # what the process had before is as new to it as in a process of its own
            logs[:] = [verified_log(path)]
            last_numbers(path)
            assert not list(logs[0].of_version("2.9999999.0"))
            assert logs[0].head_at(5) is not None
            assert logs[0].last_of((CLASS, ""), "") is not None

        one_more()
        as_a_release_asks()
        print(f"then       {times_of(as_a_release_asks, arguments.runs)}")
        one_more()
        print(f"one more   {times_of(as_a_release_asks, 1)}")
        data = logs[0].data
        for what, work in {
            "hash": lambda: hashlib.sha256(data).digest(),
            "load": lambda: _loaded(path, 0),
            "both": lambda: _loaded(path, len(data)),
            "search": lambda: list(logs[0].of_version("9.9.9")),
            "head_at": lambda: logs[0].head_at(5),
        }.items():
            print(f"  {what:8} {times_of(work, arguments.runs)}")


if __name__ == "__main__":
    main()
