"""Kills a process that adds releases, at random moments, and holds the log against what was acknowledged.

    python tests/formats/log/killed.py [--kills 200] [--seed 1]

A child adds entries one after the other through the functions that `build --release` uses, and says each number once it is told
that the entry is there. It is killed with SIGKILL after a random time; the log then has to verify, hold every acknowledged entry,
and at most one more. The next child goes on from there. That no system call is interrupted half-way by a plain kill is made up for:
the file is cut at a random byte behind the last acknowledged entry, as a power cut would, and now and then it loses its last line feed.
"""

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parent


class Outcome(NamedTuple):
    """What was tried: kills, those that left an unfinished line, entries acknowledged, entries that nobody was told of."""

    kills: int
    unfinished: int
    acknowledged: int
    unsaid: int
    entries: int


def child(path: str) -> None:
    """Add entries for ever; say each number on standard output once it is durable."""
    from log_book import draft

    from imgseal.formats.log.lines import EMPTY, added, is_whole, resume
    from imgseal.limits import LOG_BYTES, LOG_LINE_BYTES
    from imgseal.workspace.append import append_line

    while True:
        number = -1

        def next_line(last: bytes | None, at: int) -> bytes:
            nonlocal number
            tip = EMPTY if last is None else resume(last, at)
            number = tip.size
            return added(tip, draft(number))[0]

        append_line(path, LOG_LINE_BYTES, LOG_BYTES, next_line, is_whole)
        os.write(1, f"{number}\n".encode())


def start(path: str) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    return subprocess.Popen([sys.executable, __file__, "--child", path], stdout=subprocess.PIPE, env=environment)


def entries_of(path: str) -> tuple[list[int], int]:
    """The numbers of the entries of a log that verifies, and the bytes of an unfinished line."""
    from imgseal.workspace.log_file import LogFile

    log = LogFile(path)
    return [step.entry.number for step in log.walk()], log.torn


def hunt(kills: int, seed: str, folder: str, *, torn: bool = True) -> Outcome:
    """Kill `kills` times; AssertionError with the number of the kill where the log is not what was acknowledged."""
    rng = random.Random(seed)
    path = os.path.join(folder, "release.log")
    unfinished = acknowledged = unsaid = 0
    entries: list[int] = []
    for kill in range(kills):
        process = start(path)
        assert process.stdout is not None
        before = len(entries)
        said = [process.stdout.readline()]  # the child is at work: from here on the moment is random
        time.sleep(rng.random() * 0.02)
        process.send_signal(signal.SIGKILL)
        said += process.stdout.read().splitlines(keepends=True)
        process.wait()
        process.stdout.close()
        told = [int(line) for line in said if line.endswith(b"\n")]
        entries, left = entries_of(path)
        assert entries == list(range(len(entries))), kill
        assert told == list(range(before, before + len(told))), kill
        assert len(entries) - before - len(told) in (0, 1), (kill, before, told, entries[-3:])
        acknowledged += len(told)
        unsaid += len(entries) - before - len(told)
        unfinished += bool(left)
        if torn and rng.random() < 0.5:
            entries = tear(path, before + len(told), rng)
    return Outcome(kills, unfinished, acknowledged, unsaid, len(entries))


def tear(path: str, kept: int, rng: random.Random) -> list[int]:
    """Leave part of a line behind the acknowledged entries, with bytes that never were written read as zeros.

    Nothing, in one of ten cases: then the last acknowledged entry loses its line feed.
    """
    from log_book import draft

    from imgseal.formats.log.lines import added, resume

    lines = Path(path).read_bytes().splitlines(keepends=True)[:kept]
    whole = b"".join(lines)
    line, _ = added(resume(lines[-1][:-1], len(whole) - len(lines[-1])), draft(kept))
    if rng.random() < 0.1:
        Path(path).write_bytes(whole[:-1])
        entries, left = entries_of(path)
        assert (len(entries), left) == (kept, 0)
        return entries
    part = line[: rng.randrange(len(line) + 1)] if rng.random() < 0.8 else line
    if rng.random() < 0.3:
        part = part[: rng.randrange(len(part) + 1)].ljust(len(part), b"\0")
    Path(path).write_bytes(whole + part)
    entries, left = entries_of(path)
    assert (len(entries), left) == ((kept + 1, 0) if part == line else (kept, len(part)))
    return entries


def main() -> None:
    parser = argparse.ArgumentParser(description="Kill a process that adds to a release log.")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", default="1")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    options = parser.parse_args()
    sys.path.insert(0, str(HERE))
    if options.child:
        child(options.child)
    with tempfile.TemporaryDirectory() as folder:
        outcome = hunt(options.kills, options.seed, folder)
    print(
        f"{outcome.kills} kills, seed {options.seed}: {outcome.acknowledged} entries acknowledged, none lost; "
        f"{outcome.unfinished} kills left an unfinished line, {outcome.unsaid} an entry that nobody was told of; "
        f"{outcome.entries} entries at the end, and the log verified after every kill"
    )


if __name__ == "__main__":
    main()
