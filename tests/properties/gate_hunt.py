"""The frame of `archive_mutants` and `firmware_mutants`: what strangers still read from a mutant, the gate refuses."""

import argparse
import random
import tempfile
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from gate_tree import shop

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.gate.artefact import Policy, Target
from imgseal.gate.discover import Task
from imgseal.gate.scan import scan_file
from imgseal.workspace.judging import Judge

__all__ = ["Look", "PassedError", "hunt", "refused", "run"]

Look = Callable[[Path, bytes], bool]


class PassedError(Exception):
    """The gate let unsealed firmware pass, or ended by an error of Python."""


def refused(path: Path, data: bytes) -> bool:
    """Say whether the gate would fail for this file: something in it is refused, or unsealed."""
    path.write_bytes(data)
    of = shop()
    context = Context(of.product, of.trust, fresh(of.product), day="2026-01-01")
    policy = Policy((Target(Judge(context, "a fresh device")),))
    found = scan_file(Task(str(path), path.name, path.name, len(data)), policy)
    return any(each.scanned.findings or each.scanned.unsealed for each in found)


def hunt(
    seed: int,
    count: int,
    mutant: Callable[[random.Random], tuple[str, bytes]],
    readable: Callable[[str, bytes], bool],
    look: Look,
) -> Counter[str]:
    """Try `count` mutants; PassedError with the seed and number of the first that passes.

    `mutant` returns a family and the bytes, `readable` says whether a stranger gets the firmware from them.
    """
    counts: Counter[str] = Counter()
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "mutant"
        for number in range(count):
            family, data = mutant(rng)
            read = readable(family, data)
            about = f"seed {seed}, mutant {number} ({family})"
            try:
                fails = look(path, data)
            except Exception as error:
                raise PassedError(f"{about}: {type(error).__name__}: {error}") from error
            if read and not fails:
                raise PassedError(f"{about}: a stranger reads the firmware, and it passes")
            counts[
                f"{family}, {'read by strangers' if read else 'unreadable'}, {'refused' if fails else 'passed'}"
            ] += 1
    return counts


def run(batch: Callable[[int, int], Counter[str]], description: str) -> None:
    """Run a long hunt in several processes, as the command line asks, and print its counts."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--count", type=int, default=20000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    pieces = 4 * options.jobs
    total: Counter[str] = Counter()
    with ProcessPoolExecutor(options.jobs) as pool:
        seeds = [options.seed * 1000 + piece for piece in range(pieces)]
        for counts in pool.map(batch, seeds, [options.count // pieces] * pieces):
            total += counts
    for what, count in sorted(total.items()):
        print(f"{count:7} {what}")
