"""Rehearsing the demo's update and updates with 16 MiB of data: time, lives, memory, and `imgseal demo` against an older one.

    python tests/bench/bench_rehearse.py [--jobs 2] [--before PATH/TO/imgseal] [--runs 5]

The bounds: every single cut of the demo's update in at most 150 MiB, and 16 MiB of data in at most 600 s and 512 MiB on
two processors (what processes share counted once); the time per life must not grow with the flash. `--before` is the command
of another commit in an environment of its own; the two demos are run in turn, and ratios are of pairs.
"""

import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "rehearse"))

from bench_gate import held, timed  # type: ignore[import-not-found] # beside this file
from demo_update import demo_update
from large_data import first_release, update
from stages import PRODUCTS, pair

from imgseal.rehearse.command import spread_over
from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.cuts_text import was_answered
from imgseal.rehearse.explore import Explorer
from imgseal.rehearse.life import Programs, Stage
from imgseal.window import ByteView

DATA = 16 << 20
CASES: dict[str, Callable[[], tuple[Stage, ByteView]]] = {
    "the demo's update": demo_update,
    "NOR of 2 GiB": lambda: demo_update(('size = "512 Mbit"                # 64 MiB', 'size = "16 Gbit"')),
    "phrases of 56 MiB": lambda: demo_update(('at = 0x8_0000\nsize = "8 MiB"', 'at = 0x8_0000\nsize = "56 MiB"')),
    "16 MiB, fresh": lambda: first_release(DATA),
    "16 MiB, changed": lambda: update(DATA),
    "16 MiB in 4 KiB": lambda: update(DATA, 4096),
}


def play(name: str, jobs: int, pairs: int) -> None:
    """Play one case in this process and print what it took; the process that measures memory reads nothing of it."""
    stage, package = CASES[name]()
    explorer = Explorer(stage, package, "1", Programs())
    foreseen = []
    began = time.perf_counter()
    announce = lambda forecast: foreseen.append((forecast, time.perf_counter()))  # noqa: E731
    assert explorer.explore(pairs, spread=spread_over(jobs), announce=announce) is None
    seconds, tally = time.perf_counter() - began, explorer.tally
    ((forecast, then),) = foreseen
    lives = tally.singles + tally.pairs
    told = f"foreseen {forecast.seconds(then - began, jobs):.0f} s and {forecast.memory(jobs) >> 20} MiB"
    print(
        f"{name:<18} {lives} lives in {seconds:.1f} s, {tally.played} of them played   {1e6 * seconds / lives:.0f} us each"
        f"   {told}", flush=True,
    )  # fmt: skip


def measured(name: str, jobs: int, pairs: int = 0) -> None:
    command = [sys.executable, __file__, "--play", name, "--jobs", str(jobs), "--pairs", str(pairs)]
    child = subprocess.Popen(command)
    most = 0.0
    while child.poll() is None:
        most = max(most, held(child.pid))
        time.sleep(0.05)
    if child.returncode:
        sys.exit(f"failed: {name}")
    print(f"{'':<18} {jobs} processes, peak memory of all {most:.0f} MiB")


def any_number() -> None:
    """Any number of cuts, for both kinds of set: the demo's update in at most 60 s, each small product in at most 10 s."""
    rows: list[tuple[str, Stage, ByteView]] = [("the demo's update", *demo_update())]
    rows += [(name, pair(name).stage, pair(name).package) for name in PRODUCTS]
    for name, stage, package in rows:
        began = time.perf_counter()
        asking = Asking(stage, package, Programs(), None, None, changing=False)
        explored = explore(asking)
        assert was_answered(explored, asking.cuts)
        states = " and ".join(str(each.reached.states) for each in explored)
        print(
            f"{name:<26} any number of cuts: closed, {states} states in {time.perf_counter() - began:.1f} s on one processor"
        )


def demos(before: str, runs: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        ours = str(Path(sys.executable).with_name("imgseal"))
        rows = [
            [timed([command, "demo", f"{run} {number}"], Path(folder)) for number, command in enumerate((ours, before))]
            for run in range(runs)
        ]
    for what, index in (("wall", 0), ("processor", 1)):
        one, other = ([row[n][index] for row in rows] for n in (0, 1))
        ratio = statistics.median(a / b for a, b in zip(one, other, strict=True))
        print(
            f"imgseal demo       {what} {statistics.median(one):.2f} s, before {statistics.median(other):.2f} s   "
            f"ratio {ratio:.2f}   (at most 0.45)"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the rehearsal.")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--before")
    parser.add_argument("--play", choices=CASES, help=argparse.SUPPRESS)
    parser.add_argument("--pairs", type=int, default=0, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.play is not None:
        play(options.play, options.jobs, options.pairs)
        return
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}", flush=True)
    for name in CASES:
        measured(name, 1 if "16" not in name else options.jobs)
    measured("the demo's update", options.jobs, 20_000)
    any_number()
    if options.before is not None:
        demos(options.before, options.runs)


if __name__ == "__main__":
    main()
