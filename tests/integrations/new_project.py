"""A new firmware project as its owner has it: product file, keys, and the small firmware of docs/integrations."""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

from workshop import tree

import imgseal

ROOT = Path(__file__).parents[2]
PAGES = ROOT / "docs" / "integrations"
PASS_PHRASE = "only for the test"


def write_command(folder: Path, log: Path) -> None:
    """A command `imgseal` that runs the code under test, and notes in `log` that it was called."""
    command = folder / "imgseal"
    command.write_text(
        f'#!/bin/sh\necho "$*" >>"{log}"\nPYTHONPATH="{ROOT}" exec "{sys.executable}" -P -m imgseal "$@"\n'
    )
    command.chmod(0o755)


class Project(NamedTuple):
    """A folder, and the environment that its build runs in."""

    folder: Path
    log: Path
    environment: dict[str, str]

    def run(self, *command: str, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            command,
            cwd=self.folder,
            env=self.environment | environment,
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
            check=False,
        )

    def imgseal(self, *arguments: str) -> str:
        """Run a command that is not part of the build."""
        said = self.run("imgseal", *arguments)
        assert said.returncode == 0, said.stderr
        self.log.write_text("")
        return said.stdout

    @property
    def calls(self) -> list[str]:
        """What imgseal was called with since the last time this was asked."""
        lines = self.log.read_text().splitlines()
        self.log.write_text("")
        return lines

    def copy(self, *names: str) -> None:
        for name in names:
            shutil.copy(PAGES / name, self.folder)

    def new_keys(self, *roles: str) -> None:
        for role in roles:
            for ending in (".pem", ".pub.pem"):
                (self.folder / f"{role}{ending}").unlink(missing_ok=True)
            self.imgseal("key", "new", "--no-passphrase", f"{role}.pem")

    def edit(self, name: str, old: str, new: str) -> None:
        text = (self.folder / name).read_text()
        assert old in text, f"{name} holds no {old!r}"
        (self.folder / name).write_text(text.replace(old, new))

    def judged(self, folder: str = "out", *, development: bool = True) -> str:
        """The name of the one package in a folder, judged good with the keys of now."""
        packages = list((self.folder / folder).glob("*.suit"))
        verdict = imgseal.judge(
            max(packages, key=os.path.getmtime), product=self.folder / "imgseal.toml", development=development
        )
        assert verdict.accepted, verdict.findings
        return max(packages, key=os.path.getmtime).name

    def files(self) -> dict[str, bytes]:
        return {name: data for name, data in tree(self.folder).items() if not name.endswith(".log")}


def make_project(folder: Path) -> Project:
    (folder / "bin").mkdir()
    (folder / "project").mkdir()
    log = folder / "calls"
    log.write_text("")
    write_command(folder / "bin", log)
    kept = {name: os.environ[name] for name in ("LANG", "TMPDIR", "CI") if name in os.environ}
    path = f"{folder / 'bin'}:{os.environ['PATH']}"
    made = Project(folder / "project", log, kept | {"PATH": path, "HOME": str(folder)})
    made.imgseal("init")
    made.new_keys("keys-dev/images", "keys-dev/packages")
    made.copy(*(f"firmware/{name}" for name in ("app.c", "sections.ld", "app-a.ld", "app-b.ld")))
    return made


def story(project: Project, *build: str, out: str = "out", calls_a_build: int = 1) -> None:
    """What every integration has to do: build, rest, follow product file, keys and sources, and fail when refused."""

    def built(why: str, sequence: int) -> None:
        said = project.run(*build)
        assert said.returncode == 0, f"{why}\n{said.stdout}{said.stderr}"
        assert len(project.calls) == calls_a_build, why
        assert project.judged(out) == f"my-product-0.1.0-{sequence}-development.suit", why

    def rested(why: str) -> None:
        before = {path: path.stat().st_mtime_ns for path in (project.folder / out).iterdir()}
        said = project.run(*build)
        assert said.returncode == 0, said.stderr
        assert project.calls == [], why
        assert {path: path.stat().st_mtime_ns for path in (project.folder / out).iterdir()} == before, why

    built("the first time", 1)
    rested("nothing has changed")
    project.edit("imgseal.toml", "sequence = 1 ", "sequence = 2 ")
    built("another product file", 2)
    rested("nothing has changed since the product file")
    project.new_keys("keys-dev/images")
    built("another key for images", 2)
    project.new_keys("keys-dev/packages")
    built("another key for packages", 2)
    rested("nothing has changed since the keys")
    project.new_keys("keys-dev/update")
    project.edit("imgseal.toml", "keys-dev/packages.p", "keys-dev/update.p")
    for ending in (".pem", ".pub.pem"):
        (project.folder / f"keys-dev/packages{ending}").unlink()
    built("a key under another name, the old one gone", 2)
    rested("nothing has changed since the key was named anew")
    old = (project.folder / out / "app-a.sealed.bin").read_bytes()
    project.edit("app.c", "step = 1", "step = 2")
    built("another source", 2)
    assert (project.folder / out / "app-a.sealed.bin").read_bytes() != old
    rested("nothing has changed since the source")

    before = {path: path.read_bytes() for path in (project.folder / out).glob("*.suit")}
    project.edit("app.c", "    reset,", "    0,")
    for _ in range(2):  # what was refused is not taken for built the next time
        said = project.run(*build)
        assert said.returncode != 0
        assert "content.reset-vector" in said.stdout + said.stderr
        assert project.calls != []
        assert {path: path.read_bytes() for path in (project.folder / out).glob("*.suit")} == before
    project.edit("app.c", "    0,", "    reset,")
    built("mended", 2)
