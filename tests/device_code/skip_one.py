"""Skips each executed instance of an instruction of the device code, one run an instance, and counts what starts that should not.

python tests/device_code/skip_one.py --jobs 2 --into skips.jsonl       everything: parts, cores, levels, compilers
python tests/device_code/skip_one.py --part boot --core cortex-m4 --level=-Os --case "wrong key"
python tests/device_code/skip_one.py --every 50                        one instance in fifty
python tests/device_code/skip_one.py --two 2000 --seed 1               pairs of skips, drawn at random; --within 8: near one another

With --into each case that is done is kept in a file, and a run that is started again goes on behind them; a program that has changed is run anew.

The compiled objects of seal_image.c, seal_boot.c, seal_package.c, seal_install.c, an adapter and the decisions of guide.md run in an emulator of the
core (unicorn). The cryptography library's functions are answered for by the host, with the right answers; their instructions are not skipped, nor are
those of the drivers in skip_main.c and of the compiler's library. Where there is a record the device is reset afterwards and boots three times more.
"""

import argparse
import hashlib
import json
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from multiprocessing import get_context
from pathlib import Path
from typing import Any, NamedTuple

if __name__ == "__main__":
    sys.path[:0] = [
        str(Path(__file__).parents[1]),
        *(str(Path(__file__).parents[1] / n) for n in ("kit", "delivery", "rehearse")),
    ]

from skip_build import COMPILERS, CORES, LEVELS, Build, build
from skip_cases import Case, devices, images, packages
from skip_deliveries import deliveries
from skip_machine import Result, Skipper, skip_each, skip_two
from skip_more_cases import installs, marks

PARTS: dict[str, Callable[[], list[Case]]] = {
    "image": images, "boot": devices, "package": packages, "install": installs, "delivery": deliveries, "mark": marks, "adapter": lambda: images() + packages(),
}  # fmt: skip
"""The last one: instructions of the PSA adapter alone; BearSSL's is in all the others."""


class Task(NamedTuple):
    part: str
    core: str
    compiler: str
    level: str
    program: Build
    case: Case
    every: int
    two: int
    seed: int
    within: int

    @property
    def name(self) -> str:
        """What the same task has again, and no other."""
        case = hashlib.sha256(repr(self.case).encode()).hexdigest()[:16]
        how = f"{self.every} {self.two} {self.seed} {self.within}"
        return f"{self.part} {self.core} {self.compiler} {self.level} {self.program.digest} {case} {how}"


def tasks(arguments: argparse.Namespace) -> Iterator[Task]:
    for core in arguments.core or CORES:
        for compiler in arguments.compiler or COMPILERS:
            for level in arguments.level or LEVELS:
                yield from _of_build(arguments, core, compiler, level)


def _of_build(arguments: argparse.Namespace, core: str, compiler: str, level: str) -> Iterator[Task]:
    programs: dict[tuple[str, bool, bool], Build] = {}
    for part in arguments.part or PARTS:
        kind = ("seal_psa" if part == "adapter" else "seal_bearssl", part == "mark", part == "delivery")
        if kind not in programs:
            with tempfile.TemporaryDirectory() as folder:
                made = build(
                    Path(folder), core, level, kind[0], compiler=COMPILERS[compiler], marked=kind[1], patches=kind[2]
                )
            programs[kind] = made
        for case in PARTS[part]():
            if not case.name.startswith("good") and case.name.startswith(arguments.case or ""):
                how = (arguments.every, arguments.two, arguments.seed, arguments.within)
                yield Task(part, core, compiler, level, programs[kind], case, *how)


_skippers: dict[tuple[str, str], Skipper] = {}


def do(task: Task) -> tuple[Task, Result, float]:
    """Run one case, and first the one that is to start."""
    key = (task.program.digest, task.part)
    started = time.process_time()
    if key not in _skippers:
        _skippers.clear()
        _skippers[key] = Skipper(task.program, task.part)
        for case in PARTS[task.part]():
            if case.name == "good":
                _skippers[key].trace(case)
    if task.two:
        result = skip_two(_skippers[key], task.case, task.two, task.seed, task.within)
    else:
        result = skip_each(_skippers[key], task.case, task.every)
    return task, result, time.process_time() - started


class Row(NamedTuple):
    """A line of the table."""

    tried: int = 0
    bypasses: int = 0
    hung: int = 0
    seconds: float = 0.0


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--part", choices=tuple(PARTS), action="append")
    parser.add_argument("--core", choices=CORES, action="append")
    parser.add_argument("--compiler", choices=tuple(COMPILERS), action="append")
    parser.add_argument("--level", action="append", help="-Os, -O2 or -O3, or any other that the compiler takes")
    parser.add_argument("--case", help="only cases whose name begins so")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="one instance in N")
    parser.add_argument("--two", type=int, default=0, metavar="N", help="N pairs of each case instead")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--within",
        type=int,
        default=0,
        metavar="N",
        help="the second of a pair at most N instructions behind the first",
    )
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--into", type=Path, help="keep what is done, and go on behind it")
    arguments = parser.parse_args()
    kept: dict[str, dict[str, Any]] = {}
    if arguments.into and arguments.into.exists():
        kept = {row["name"]: row for row in map(json.loads, arguments.into.read_text().splitlines())}
    rows: defaultdict[tuple[str, str, str, str], Row] = defaultdict(Row)
    todo = []
    for task in tasks(arguments):
        rows[_key(task)] = rows[_key(task)]  # in this order
        if task.name in kept:
            _add(rows, task, kept[task.name])
        else:
            todo.append(task)
    began = time.perf_counter()
    with get_context("fork").Pool(arguments.jobs) as pool:
        for done, (task, result, seconds) in enumerate(pool.imap_unordered(do, todo), 1):
            lines = task.program.lines
            places = [
                [lines.get(b.first, ""), lines.get(b.second, ""), hex(b.to), lines.get(b.caller, "")]
                for b in result.bypasses
            ]
            row = {
                "name": task.name,
                "case": task.case.name,
                "tried": result.tried - result.alone,
                "hung": result.hung,
                "seconds": seconds,
                "places": places,
            }
            _add(rows, task, row)
            if arguments.into:
                with arguments.into.open("a") as file:
                    file.write(json.dumps(row) + "\n")
            print(
                f"{done:>4}/{len(todo)} {time.perf_counter() - began:>6.0f} s  {' '.join(_key(task)):<38} {task.case.name:<42} {row['tried']:>7} skips, "
                f"{len(places):>3} start what they should not ({seconds:.1f} s)",
                flush=True,
            )
            for place in places[:20]:
                print(
                    f"      {' and '.join(text for text in place[:2] if text)}  starts {place[2]}  (lr: {place[3]})",
                    flush=True,
                )
    print(
        f"\n{'part':<8} {'core':<14} {'compiler':<8} {'level':<5} {'instances':>10} {'bypasses':>9} {'hung':>6} {'seconds':>8}"
    )
    for names, total in rows.items():
        print(
            f"{names[0]:<8} {names[1]:<14} {names[2]:<8} {names[3]:<5} {total.tried:>10} {total.bypasses:>9} {total.hung:>6} {total.seconds:>8.0f}"
        )
    every = list(rows.values())
    print(
        f"{'all':<38} {sum(r.tried for r in every):>10} {sum(r.bypasses for r in every):>9} {sum(r.hung for r in every):>6} {sum(r.seconds for r in every):>8.0f}"
    )
    return int(any(r.bypasses for r in every) and not arguments.two)


def _key(task: Task) -> tuple[str, str, str, str]:
    return task.part, task.core, task.compiler, task.level


def _add(rows: dict[tuple[str, str, str, str], Row], task: Task, row: dict[str, Any]) -> None:
    old = rows[_key(task)]
    rows[_key(task)] = Row(
        old.tried + row["tried"],
        old.bypasses + len(row["places"]),
        old.hung + row["hung"],
        old.seconds + row["seconds"],
    )


if __name__ == "__main__":
    sys.exit(main())
