"""From betas to production in two clones of a line of two products: refused pushes, and one series each.

Sources of truth: docs/format/product-file.md, "Channels" and "A product line"; docs/cli.md, "promote".
"""

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from channel_product import Release, make_channels, taken
from line_tree import MEMBERS, firmware, make_line
from workshop import Imgseal

from imgseal.versions import Version

PRODUCTS = ("vent", "shade")


class Clone:
    """A clone, and what its release job does: the newest log, a release, and a push that may be refused."""

    def __init__(self, origin: Path, folder: Path, keys: Path, imgseal: Imgseal, patch: pytest.MonkeyPatch) -> None:
        self.folder, self.imgseal, self.patch = folder, imgseal, patch
        self.git("clone", "--quiet", str(origin), str(folder), here=origin.parent)
        for path in keys.glob("*/*.pem"):
            shutil.copy(path, folder / path.relative_to(keys))

    def git(self, *arguments: str, here: Path | None = None) -> int:
        identity = ("-c", "user.name=release", "-c", "user.email=release@quillmoor.example")
        command = ["git", *identity, *arguments]
        return subprocess.run(command, cwd=here or self.folder, capture_output=True, check=False).returncode

    def newest(self) -> None:
        assert self.git("fetch", "--quiet", "origin") == 0
        assert self.git("reset", "--quiet", "--hard", "origin/main") == 0

    def run(self, *command: str) -> str:
        """Release from the line's folder; returns the package's path."""
        self.patch.chdir(self.folder)
        said = self.imgseal(*command)
        assert said.status == 0, said.err
        return str(self.folder / said.out.splitlines()[-1])

    def beta(self, product: str, version: str) -> str:
        mine = (argument for argument in firmware() if argument.startswith("motor"))
        return self.run(
            "build", *mine, "--product", product, "--release", "--channel", "beta", "--set", f"release.version={version}",
            "--revision", "abcd", "--out", f"out/{product}-{version}",
        )  # fmt: skip

    def promote(self, product: str, package: str) -> str:
        return self.run("promote", package, "--to", "production", "--out", f"out/{product}")

    def push(self) -> bool:
        assert self.git("commit", "--quiet", "-am", f"by {self.folder.name}") == 0
        return self.git("push", "--quiet", "origin", "HEAD:main") == 0


@pytest.fixture
def clones(
    project: Path, imgseal: Imgseal, monkeypatch: pytest.MonkeyPatch, tool: Callable[[str], str]
) -> tuple[Clone, Clone]:
    tool("git")
    make_channels(project)
    make_line(project)
    for name in MEMBERS:
        assert imgseal("log", "new", "--product", name).status == 0
    (project / ".gitignore").write_text("keys*/*.pem\n!*.pub.pem\nout*/\n")
    origin = project.parent / f"{project.name}-origin.git"
    for command in (
        ("init", "--quiet", "--initial-branch=main", "."), ("add", "-A"),
        ("-c", "user.name=x", "-c", "user.email=x@quillmoor.example", "commit", "--quiet", "-m", "line"),
        ("clone", "--quiet", "--bare", ".", str(origin)),
    ):  # fmt: skip
        subprocess.run(["git", *command], cwd=project, check=True, capture_output=True)
    folders = (project.parent / f"{project.name}-{name}" for name in "ab")
    a, b = (Clone(origin, folder, project, imgseal, monkeypatch) for folder in folders)
    return a, b


def entries(clone: Clone, product: str) -> list[dict[str, object]]:
    log = clone.folder / MEMBERS[product] / "release.log"
    return [json.loads(line)["entry"] for line in log.read_text().splitlines()]


def test_from_betas_to_production(clones: tuple[Clone, Clone], imgseal: Imgseal) -> None:
    a, b = clones
    made: dict[str, list[Release]] = {name: [] for name in PRODUCTS}

    def shipped(product: str, channel: str, package: str) -> None:
        *_, last = entries(a if a.folder in Path(package).parents else b, product)
        sequence = last["sequence"]
        assert isinstance(sequence, int)
        made[product].append(Release(channel, Version.parse(str(last["version"])), sequence, package, 0, ()))

    for product in PRODUCTS:
        for clone in clones:
            clone.newest()
        first, late = a.beta(product, "2.5.0-beta.1"), b.beta(product, "2.5.0-beta.2")
        assert (a.push(), b.push()) == (True, False)  # two releases with one number: one of them was never made
        shipped(product, "beta", first)
        b.newest()
        shutil.rmtree(Path(late).parent)
        shipped(product, "beta", b.beta(product, "2.5.0-beta.2"))
        assert b.push()
        a.newest()
        shipped(product, "beta", a.beta(product, "2.5.0-rc.1"))
        assert a.push()
        b.newest()
        whole = b.beta(product, "2.5.0")
        assert b.push()
        shipped(product, "beta", whole)
        for clone in clones:
            clone.newest()
        here, there = a.promote(product, whole), b.promote(product, whole)  # both at the same time
        assert (a.push(), b.push()) == (True, False)
        shipped(product, "production", here)
        b.newest()
        again = b.promote(product, whole)
        assert Path(again).read_bytes() == Path(there).read_bytes() == Path(here).read_bytes()
        assert b.git("diff", "--quiet") == 0  # and there is nothing to push
    for product in PRODUCTS:
        log = entries(b, product)
        assert [entry["sequence"] for entry in log] == [1, 2, 3, 4, 5]
        assert [entry["kind"] for entry in log] == ["release"] * 4 + ["promotion"]
        folder = b.folder / MEMBERS[product]
        assert taken(folder, made[product], "beta") == [1, 2, 3, 4, 5]
        assert taken(folder, made[product], "production") == [5]
