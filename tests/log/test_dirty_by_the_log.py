"""At a desk with log and pin in the tree that is described: they are no change of the sources, and all else is.

The lines that ask git are those of docs/cli.md, run as they stand there.
"""

import re
import subprocess
from pathlib import Path

import pytest
from workshop import ALL, Imgseal

from imgseal.releasing.describe import describe

PAGE = Path(__file__).parents[2] / "docs" / "cli.md"
LINES = re.search(r"```sh\n(described=.*?)```", PAGE.read_text(), re.DOTALL)
LOG = '\n[log]\npath = "release.log"\npin = "release.head"\n'


def git(folder: Path, *arguments: str) -> str:
    who = ("-c", "user.name=Quillmoor", "-c", "user.email=desk@quillmoor.example", "-c", "commit.gpgsign=false")
    return subprocess.run(["git", *who, *arguments], cwd=folder, check=True, capture_output=True, text=True).stdout


def described(folder: Path) -> str:
    assert LINES is not None
    asked = ["sh", "-c", LINES[1] + 'printf %s "$described"']
    return subprocess.run(asked, cwd=folder, check=True, capture_output=True, text=True).stdout


@pytest.fixture
def desk(project: Path, imgseal: Imgseal) -> Path:
    """A tree with sources, product file, log and pin, tagged v2.4.1."""
    path = project / "imgseal.toml"
    path.write_text(path.read_text().replace("sequence = 17", 'sequence = "next"') + LOG)
    assert imgseal("log", "new").status == 0
    (project / ".gitignore").write_text("*.pem\n!*.pub.pem\nout*/\n")
    (project / "app").mkdir()
    (project / "app" / "main.c").write_text("int main(void);\n")
    (project / "old-release.log").write_text("no log\n")
    git(project, "init", "--quiet")
    git(project, "add", "-A")
    git(project, "commit", "--quiet", "-m", "all")
    git(project, "tag", "-a", "-m", "one", "v2.4.1")
    return project


def build(imgseal: Imgseal, text: str, *more: str) -> str:
    said = imgseal("build", *ALL, "--release", "--describe", text, "--out", "out", *more)
    assert said.status == 0, said.err
    return said.err


def test_releases_one_after_the_other(imgseal: Imgseal, desk: Path) -> None:
    """Log and pin are committed whenever that suits: the next release is not refused for the one before."""
    text = described(desk)
    assert re.fullmatch(r"v2\.4\.1-0-g[0-9a-f]{40}", text)
    build(imgseal, text)
    assert imgseal("log", "pin").status == 0
    dirty = git(desk, "describe", "--long", "--always", "--dirty", "--abbrev=40").strip()
    assert dirty == f"{text}-dirty"
    said = imgseal("build", *ALL, "--release", "--describe", dirty, "--out", "out")
    assert (said.status, "git is asked without them: docs/cli.md has the lines" in said.err) == (2, True), said.err
    assert described(desk) == text
    assert "this release is entry 0 of release.log already" in build(imgseal, described(desk))
    (desk / "app" / "main.c").write_text("int main(void) { return 0; }\n")
    git(desk, "commit", "--quiet", "-m", "two", "app/main.c")
    git(desk, "tag", "-a", "-m", "two", "v2.4.2")
    assert "logged as entry 1" in build(imgseal, described(desk))
    assert imgseal("log", "pin").status == 0
    git(desk, "add", "release.log", "release.head")
    assert not describe(described(desk)).dirty  # staged, too
    git(desk, "commit", "--quiet", "-m", "the log")
    assert git(desk, "status", "--porcelain") == ""
    # an old release with the log of today
    git(desk, "checkout", "--quiet", "v2.4.1")
    git(desk, "checkout", "--quiet", "-", "--", "release.log", "release.head")
    assert "this release is entry 0 of release.log already" in build(imgseal, described(desk))


def test_all_else_is_a_change(imgseal: Imgseal, desk: Path) -> None:
    """Also beside a log that has changed, staged, taken away, in another folder, or of a name that is alike."""
    with (desk / "release.log").open("a") as log:
        log.write("changed")
    assert not describe(described(desk)).dirty
    for name in ("app/main.c", "imgseal.toml", "old-release.log", ".gitignore", "keys/images.pub.pem"):
        path, staged = desk / name, git(desk, "rev-parse", f"HEAD:{name}")
        assert staged
        data = path.read_bytes()
        for way in ("changed", "staged", "gone"):
            if way == "gone":
                path.unlink()
            else:
                path.write_bytes(data + b"\n")
            if way == "staged":
                git(desk, "add", name)
            for folder in (desk, desk / "app"):
                assert describe(described(folder)).dirty, (name, way, folder)
            git(desk, "reset", "--quiet", "--", name)
            path.write_bytes(data)
        assert not describe(described(desk)).dirty, name
    (desk / "app" / "new.c").touch()
    assert not describe(described(desk)).dirty  # as git describe --dirty: what nobody has added is in no build
    git(desk, "add", "app/new.c")
    text = described(desk)
    said = imgseal("build", *ALL, "--release", "--describe", text)
    assert (said.status, "files were changed that no source revision has" in said.err) == (2, True), said.err


def test_where_git_has_no_answer(imgseal: Imgseal, desk: Path) -> None:
    """The tree is none of git's: nothing is described, and nothing released."""
    (desk / ".git").rename(desk / "aside")
    text = described(desk)
    assert text == "-dirty"
    assert imgseal("build", *ALL, "--release", "--describe", text).status == 2
