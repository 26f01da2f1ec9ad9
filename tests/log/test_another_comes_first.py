"""Another release is logged at every moment at which a command looks at the log: the numbers go on, and nobody is refused."""

import builtins
import fcntl
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from workshop import ALL, Imgseal

from imgseal.cli.app import run

COMMANDS = {
    "release": ("build", *ALL, "--release"),
    "request": ("build", *ALL, "--release", "--sign-later", "--product", "away.toml"),
    "pack": ("pack", "a.sealed.bin", "b.sealed.bin", "--release"),
}
LOG = '\n[log]\npath = "release.log"\n'


@pytest.fixture
def line(project: Path, imgseal: Imgseal) -> Path:
    text = (project / "imgseal.toml").read_text().replace("sequence = 17", 'sequence = "next"') + LOG
    (project / "imgseal.toml").write_text(text)
    (project / "away.toml").write_text(text.replace("keys/images.pem", "keys/images.pub.pem"))
    assert imgseal("log", "new").status == 0
    return project


class Watch:
    """Counts how often the log is opened while nobody holds it, and does something else before one of these times."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, meanwhile: Callable[[], None]) -> None:
        self.meanwhile = meanwhile
        self.seen = 0
        self.moment: int | None = None
        self.on = False
        for module in (builtins, os):
            monkeypatch.setattr(module, "open", self.wrapped(module.open))

    def wrapped(self, real: Any) -> Any:
        def opened(path: Any, *arguments: Any, **named: Any) -> Any:
            if self.on and os.fspath(path if isinstance(path, str | Path) else "") == "release.log" and is_free():
                self.seen += 1
                if self.seen == self.moment:
                    self.on = False
                    self.meanwhile()
                    self.on = True
            return real(path, *arguments, **named)

        def is_free() -> bool:
            with builtins_open("release.log", "rb") as stream:
                try:
                    fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except OSError:
                    return False
                return True

        return opened


builtins_open = open


@pytest.mark.parametrize("what", COMMANDS)
def test_at_every_look_at_the_log(line: Path, monkeypatch: pytest.MonkeyPatch, what: str) -> None:
    """The number and the head that a package carries are of one reading of the log, however late another comes."""
    done = 0

    def make(arguments: tuple[str, ...]) -> int:
        nonlocal done
        done += 1
        own = ("--set", f"release.version=3.{done}.0", "--unrecorded", "a test", "--again", f"{done}")
        out = f"{done}.suit" if arguments[0] == "pack" else f"{done}"
        return run((*arguments, *own, "--out", out))

    for build in "ab":
        sealed = ("--component", "motor", "--release", "--out", f"{build}.sealed.bin")
        assert run(("seal", f"motor-{build}.hex", *sealed)) == 0
    assert make(COMMANDS["release"]) == 0
    watch = Watch(monkeypatch, lambda: others.append(make(COMMANDS["release"])))
    others: list[int] = []
    moments, last = 0, 1
    while last >= moments:
        watch.seen, watch.moment, watch.on = 0, moments or None, True
        assert make(COMMANDS[what]) == 0, moments
        watch.on = False
        last, moments = watch.seen, moments + 1
    monkeypatch.undo()
    os.chdir(line)
    entries = [json.loads(text)["entry"] for text in (line / "release.log").read_text().splitlines()]
    assert others == [0] * len(others)
    assert len(others) >= 3
    assert [entry["sequence"] for entry in entries] == list(range(1, done + 1))
    assert len({entry["version"] for entry in entries}) == done
