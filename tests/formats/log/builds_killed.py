"""Starts two releases at once, kills one of them or none at a random moment, and holds log and packages against each other.

    python tests/formats/log/builds_killed.py [--rounds 200] [--seed 1]

Both leave their number to the log. Whatever is killed when: no two entries have one sequence, the log verifies, every package that lies
in its place is an entry, who was told that it is released has a package of its own, and what was logged and not written comes out of the
same build again, byte for byte the one that the log has. A torn line is dropped by the next build.
"""

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

from workshop import BUILD_TIME, write_project

from imgseal.demo.firmware import code
from imgseal.formats.suit.envelope import decode_envelope

TESTS = Path(__file__).parents[2]
LOG = '\n[log]\npath = "release.log"\n'
FIRMWARE = "radio=radio.bin@0xC0400"


class Outcome(NamedTuple):
    """What was tried: rounds, kills, entries, releases that were logged and made again after a kill."""

    rounds: int
    kills: int
    entries: int
    again: int


def project(folder: Path) -> None:
    """A project that leaves its numbers to the log."""
    write_project(folder)
    radio = code("radio", link=0xC0400, size=3001, vectors=48, stack=0x2002_0000)
    (folder / "radio.bin").write_bytes(radio)
    path = folder / "imgseal.toml"
    path.write_text(path.read_text().replace("sequence = 17", 'sequence = "next"') + LOG)
    (folder / "release.log").touch()


def start(folder: Path, number: int) -> subprocess.Popen[str]:
    """Begin the release of a number; each has a version and a revision of its own, which may come in any order."""
    command = [sys.executable, "-m", "imgseal", "build", FIRMWARE, "--release", "--again", f"round {number}"]
    command += ["--set", f"release.version=3.{number}.0", "--revision", f"{number:08x}", "--out", f"out-{number}"]
    environment = {
        **os.environ, "SOURCE_DATE_EPOCH": str(BUILD_TIME), "XDG_CACHE_HOME": str(folder / "cache"),
        "PYTHONPATH": str(TESTS.parent),
    }  # fmt: skip
    return subprocess.Popen(command, cwd=folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                            text=True)  # fmt: skip


def entries(folder: Path) -> list[dict[str, Any]]:
    """What the log holds; a torn last line is none."""
    lines = (folder / "release.log").read_bytes().split(b"\n")
    return [json.loads(line)["entry"] for line in lines[:-1]]


def manifest(folder: Path, number: int) -> str | None:
    """The manifest digest of a release that lies in its place."""
    found = list((folder / f"out-{number}").glob("*.suit"))
    return decode_envelope(found[0].read_bytes()).digest.value.hex() if found else None


def run(rounds: int, seed: int) -> Outcome:
    draw = random.Random(seed)
    kills = again = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        project(folder)
        longest = 2.0
        for index in range(rounds):
            begun = time.monotonic()
            pair = {number: start(folder, number) for number in (2 * index, 2 * index + 1)}
            victim = draw.choice([*pair, None])
            if victim is not None:
                time.sleep(draw.uniform(0, longest))
                if pair[victim].poll() is None:
                    pair[victim].kill()
                    kills += 1
            said = {number: child.communicate()[1] for number, child in pair.items()}
            longest = max(0.2, (longest * 3 + time.monotonic() - begun) / 4)
            made = entries(folder)
            sequences = [entry["sequence"] for entry in made]
            assert len(set(sequences)) == len(sequences), sequences
            logged = {entry["packages"][0]["manifest"]: entry for entry in made}
            by_version = {entry["version"]: entry for entry in made}
            for number, child in pair.items():
                there = manifest(folder, number)
                assert there is None or there in logged, (number, said[number])
                if number != victim:
                    assert child.returncode == 0, said[number]
                if child.returncode == 0:
                    assert there is not None, said[number]
                elif f"3.{number}.0" in by_version and there is None:
                    again += 1
        whole = entries(folder)
        final = subprocess.run([sys.executable, "-m", "imgseal", "log", "verify"], cwd=folder, capture_output=True,
                               text=True, env={**os.environ, "PYTHONPATH": str(TESTS.parent)}, check=False)  # fmt: skip
        assert final.returncode == 0, final.stderr
        for entry in whole:  # what was logged and never written is made again
            number = int(entry["version"].split(".")[1])
            if manifest(folder, number) is None:
                made_again(folder, entry, number)
    return Outcome(rounds, kills, len(whole), again)


def made_again(folder: Path, entry: dict[str, Any], number: int) -> None:
    """The build that was killed between log and files, once more: the same package, and nothing added."""
    before = sha256((folder / "release.log").read_bytes().rpartition(b"\n")[0]).digest()
    command = [sys.executable, "-m", "imgseal", "build", FIRMWARE, "--release", "--as-of", str(entry["number"])]
    command += ["--set", f"release.version=3.{number}.0", "--revision", f"{number:08x}", "--out", f"out-{number}"]
    environment = {**os.environ, "SOURCE_DATE_EPOCH": str(BUILD_TIME), "PYTHONPATH": str(TESTS.parent)}
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert manifest(folder, number) == entry["packages"][0]["manifest"]
    assert sha256((folder / "release.log").read_bytes().rpartition(b"\n")[0]).digest() == before


def main() -> None:
    parser = argparse.ArgumentParser(description="Kill builds that are released at once.")
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    outcome = run(arguments.rounds, arguments.seed)
    print(", ".join(f"{value} {name}" for name, value in outcome._asdict().items()))


if __name__ == "__main__":
    main()
