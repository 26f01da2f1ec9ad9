"""Starts two commands that change the log at once, kills one of them or none at a random moment, and holds all files against each other.

    python tests/formats/log/builds_killed.py [--rounds 200] [--seed 1]

Releases, signing requests that reserve a number, what finishes or gives up a reservation, and the pin. All leave their numbers to the log.
Whatever is killed when: no two entries have one sequence, but for a release and the reservation that it completes; the log verifies and
goes on from its pin, which never goes back; every package or request that lies in its place is an entry, and no two requests ask for one
number; who was told that something is done finds it in the log. What was logged and not written comes out of the same command again, byte
for byte what the log has, and adds nothing. A torn line is dropped by the next writer.
"""

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any, NamedTuple

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

from workshop import BUILD_TIME, write_project

from imgseal.demo.firmware import code
from imgseal.formats.log.lines import is_whole
from imgseal.formats.log.proof import read_head
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.workspace.verified_log import verified_log

TESTS = Path(__file__).parents[2]
LOG = '\n[log]\npath = "release.log"\npin = "release.head"\n'
FIRMWARE = "radio=radio.bin@0xC0400"
AWAY = "away.toml"
"""The product file of those who have the packages' key at hand and not the images'."""


class Outcome(NamedTuple):
    """What was tried: rounds, kills; what the log came to hold; what was logged and made again after a kill."""

    rounds: int
    kills: int
    entries: int
    releases: int
    reservations: int
    finished: int
    surrendered: int
    again: int
    pinned: int


class Act(NamedTuple):
    """A command, and the release that it is about; None for the pin."""

    what: str
    number: int | None
    command: tuple[str, ...]


class Scene:
    """A folder with a project, and what is known of the releases in it."""

    def __init__(self, folder: Path, draw: random.Random) -> None:
        self.folder = folder
        self.draw = draw
        self.numbers = 0
        self.open: set[int] = set()
        self.again = 0
        write_project(folder)
        radio = code("radio", link=0xC0400, size=3001, vectors=48, stack=0x2002_0000)
        (folder / "radio.bin").write_bytes(radio)
        text = (folder / "imgseal.toml").read_text().replace("sequence = 17", 'sequence = "next"') + LOG
        (folder / "imgseal.toml").write_text(text)
        (folder / AWAY).write_text(text.replace('images = "keys/images.pem"', 'images = "keys/images.pub.pem"'))
        assert 'images = "keys/images.pub.pem"' in (folder / AWAY).read_text()
        self.done(Act("new", None, ("log", "new")))

    def start(self, act: Act) -> subprocess.Popen[str]:
        environment = {
            **os.environ, "SOURCE_DATE_EPOCH": str(BUILD_TIME), "XDG_CACHE_HOME": str(self.folder / "cache"),
            "PYTHONPATH": str(TESTS.parent),
        }  # fmt: skip
        return subprocess.Popen([sys.executable, "-m", "imgseal", *act.command], cwd=self.folder, env=environment,
                                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)  # fmt: skip

    def done(self, act: Act) -> str:
        child = self.start(act)
        out, err = child.communicate()
        assert child.returncode == 0, (act, err)
        return out

    # what is done

    def release(self) -> Act:
        """A release; each has a version and a revision of its own, which may come in any order."""
        number = self.next()
        return Act("release", number, (*self.build(number), "--again", f"round {number}"))

    def request(self) -> Act:
        number = self.next()
        return Act("request", number, (*self.build(number, later=True), "--again", f"round {number}"))

    def next(self) -> int:
        self.numbers += 1
        return self.numbers - 1

    def build(self, number: int, *, later: bool = False) -> tuple[str, ...]:
        more = ("--sign-later", "--product", AWAY) if later else ()
        return ("build", FIRMWARE, "--release", *more, *self.of(number), "--revision", f"{number:08x}")

    def of(self, number: int) -> tuple[str, ...]:
        return "--set", f"release.version=3.{number}.0", "--out", f"out-{number}"

    def finish(self, number: int) -> Act:
        """Finish a request; it is signed in the other room first."""
        request = str(self.asked(number))
        response = f"{request}.response"
        if not (self.folder / response).exists():
            self.done(Act("sign", number, ("sign", request, "--key", "keys/images.pem", "--yes", "--out", response)))
        command = ("finish", request, FIRMWARE, "--response", response, "--product", AWAY, *self.of(number))
        return Act("finish", number, command)

    def surrender(self, number: int) -> Act:
        entry = self.entry("reservation", number)
        assert entry is not None
        return Act("surrender", number, ("log", "surrender", str(entry["number"]), "--why", "nobody signs it"))

    def acts(self) -> list[Act]:
        """Two to be done at once, of two releases; most of them take a number."""
        out: list[Act] = []
        while len(out) < 2:
            left = sorted(self.open - {act.number for act in out})
            what = self.draw.choice(
                ("release", "release", "request", "request", "finish", "finish", "surrender", "pin")
            )
            if what in ("release", "request"):
                out.append(self.release() if what == "release" else self.request())
            elif what == "pin":
                out.append(Act("pin", None, ("log", "pin")))
            elif left:
                number = self.draw.choice(left)
                out.append(self.finish(number) if what == "finish" else self.surrender(number))
        return out

    # what there is

    def entries(self) -> list[dict[str, Any]]:
        """What the log holds; a torn last line is none, and one that lacks its line feed alone is one."""
        *lines, rest = (self.folder / "release.log").read_bytes().split(b"\n")
        if rest and is_whole(rest):
            lines.append(rest)
        return [json.loads(line)["entry"] for line in lines]

    def entry(self, kind: str, number: int) -> dict[str, Any] | None:
        found = [e for e in self.entries() if e["kind"] == kind and e["version"] == f"3.{number}.0"]
        assert len(found) <= 1, found
        return found[0] if found else None

    def package(self, number: int) -> bytes | None:
        found = list((self.folder / f"out-{number}").glob("*.suit"))
        return found[0].read_bytes() if found else None

    def asked(self, number: int) -> Path | None:
        """The request that lies in its place, as commands name it."""
        found = list((self.folder / f"out-{number}").glob("*.request.json"))
        return found[0].relative_to(self.folder) if found else None

    def pin(self) -> tuple[int, bytes]:
        head = read_head((self.folder / "release.head").read_text().rstrip("\n"))
        assert head is not None
        return head.size, head.root

    def wait_for_line(self, child: subprocess.Popen[str], moment: float) -> None:
        """Wait until somebody has written to the log, and a moment longer: files are being moved into place then."""
        log = self.folder / "release.log"
        before = log.stat().st_size
        while child.poll() is None and log.stat().st_size == before:
            time.sleep(0.0005)
        time.sleep(moment)

    def hold(self, acts: list[Act], codes: dict[Act, int]) -> None:
        """Hold files and log against each other, and what was acknowledged against both."""
        made = self.entries()
        held = {e["number"]: e["sequence"] for e in made if e["kind"] == "reservation"}
        given = [
            e["sequence"]
            for e in made
            if e["kind"] == "reservation" or (e["kind"] == "release" and e["reserved"] is None)
        ]
        assert len(set(given)) == len(given), given
        completed = [
            (e["reserved"], e["sequence"]) for e in made if e["kind"] == "release" and e["reserved"] is not None
        ]
        assert len({reserved for reserved, _ in completed}) == len(completed), completed
        assert all(held[reserved] == sequence for reserved, sequence in completed), completed
        for act in acts:
            if act.number is None:
                continue
            told = codes[act] == 0
            package, asked = self.package(act.number), self.asked(act.number)
            release, reservation = self.entry("release", act.number), self.entry("reservation", act.number)
            assert package is None or digest(package) == manifest_of(release), act
            assert asked is None or numbered_in(self.folder / asked) == (reservation or {}).get("sequence"), act
            if act.what in ("release", "finish"):
                assert not told or package is not None, act
            elif act.what == "request":
                assert not told or asked is not None, act
            elif act.what == "surrender":
                given_up = reservation is not None and reservation["number"] in [
                    e["entry"] for e in made if e["kind"] == "surrender"
                ]
                assert given_up or not told, act

    def settle(self, acts: list[Act], codes: dict[Act, int]) -> None:
        """Know what is open now, and make again what was logged and not written."""
        for act in acts:
            if act.what == "request" and self.entry("reservation", act.number or 0) is not None:
                self.open.add(act.number or 0)
                if self.asked(act.number or 0) is None:
                    self.repeat(Act("request", act.number, self.build(act.number or 0, later=True)))
            elif act.what == "surrender" and any(
                e["kind"] == "surrender"
                and e["entry"] == (self.entry("reservation", act.number or 0) or {}).get("number")
                for e in self.entries()
            ):
                self.open.discard(act.number or 0)
            elif act.what == "finish" and self.entry("release", act.number or 0) is not None:
                self.open.discard(act.number or 0)
                if codes[act] != 0:
                    self.repeat(self.finish(act.number or 0))
            elif act.what == "release" and codes[act] != 0:
                entry = self.entry("release", act.number or 0)
                if entry is not None:
                    more = ("--entry", str(entry["number"]))
                    self.repeat(Act("release", act.number, (*self.build(act.number or 0), *more)))

    def repeat(self, act: Act) -> None:
        """Do once more what was killed between log and files: the same bytes, and nothing added."""
        before = self.entries()
        self.done(act)
        assert self.entries() == before, act
        self.hold([act], {act: 0})
        self.again += 1


def digest(package: bytes) -> str:
    return decode_envelope(package).digest.value.hex()


def manifest_of(entry: dict[str, Any] | None) -> str | None:
    return None if entry is None else str(entry["packages"][0]["manifest"])


def numbered_in(request: Path) -> int:
    """The sequence that a request's package is to have: it is in its name, and in a request for a package signed."""
    import base64

    document = json.loads(request.read_text())
    asked = int(request.name.removesuffix("-images.request.json").rsplit("-", 1)[1])
    for item in document["items"]:
        if item["what"] != "statement":
            assert decode_manifest(base64.b64decode(item["content"])).sequence_number == asked
    return asked


def run(rounds: int, seed: int) -> Outcome:
    draw = random.Random(seed)
    kills = pinned = 0
    with tempfile.TemporaryDirectory() as name:
        scene = Scene(Path(name), draw)
        longest, pin = 2.0, scene.pin()
        for index in range(rounds):
            acts = scene.acts()
            begun = time.monotonic()
            children = [scene.start(act) for act in acts]
            victim = draw.choice((0, 1, None))
            if victim is not None:
                if draw.random() < 0.5:
                    time.sleep(draw.uniform(0, longest))
                else:
                    scene.wait_for_line(children[victim], draw.uniform(0, 0.01))
                if children[victim].poll() is None:
                    children[victim].kill()
                    kills += 1
            said = [child.communicate()[1] for child in children]
            longest = max(0.2, (longest * 3 + time.monotonic() - begun) / 4)
            codes = {act: child.returncode for act, child in zip(acts, children, strict=True)}
            for number, (act, child) in enumerate(zip(acts, children, strict=True)):  # two pins are one act
                assert child.returncode == 0 or number == victim, (index, act, child.returncode, said[number])
            scene.hold(acts, codes)
            before, pin = pin, scene.pin()
            assert pin[0] >= before[0], (index, before, pin)
            log = verified_log(str(scene.folder / "release.log"))
            assert log.head_at(pin[0]) == read_head(f"{pin[0]}:{pin[1].hex()}"), (index, pin)
            pinned += pin != before
            scene.settle(acts, codes)
        for number in sorted(scene.open):  # in any order: nothing that was asked for is lost
            act = scene.finish(number)
            scene.done(act)
            scene.hold([act], {act: 0})
        scene.done(Act("pin", None, ("log", "pin")))
        scene.done(Act("verify", None, ("log", "verify", "--against", "release.head")))
        whole = scene.entries()
        kinds = Counter(entry["kind"] for entry in whole)
        assert scene.pin()[0] == len(whole)
        finished = sum(e["kind"] == "release" and e["reserved"] is not None for e in whole)
        for number in range(scene.numbers):
            assert (scene.package(number) is None) == (scene.entry("release", number) is None)
    return Outcome(
        rounds,
        kills,
        len(whole),
        kinds["release"],
        kinds["reservation"],
        finished,
        kinds["surrender"],
        scene.again,
        pinned,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description="Kill commands that change the log at once.")
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    outcome = run(arguments.rounds, arguments.seed)
    print(", ".join(f"{value} {name}" for name, value in outcome._asdict().items()))


if __name__ == "__main__":
    main()
