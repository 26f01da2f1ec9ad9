"""The branch of the release log is begun as docs/integrations.md says, and where that cannot be nothing is touched."""

import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from build_machine import beginning
from new_project import PAGES

PAGE = (PAGES.parent / "integrations.md").read_text()


class Desk:
    """A folder where somebody types; `imgseal log new` writes the two files and nothing else."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder = folder
        tools = folder.parent / "tools"
        tools.mkdir(exist_ok=True)
        (tools / "imgseal").write_text(
            "#!/bin/sh\nmkdir -p releases && touch releases/release.log releases/release.head\n"
        )
        (tools / "imgseal").chmod(0o755)
        who = {"NAME": "Quillmoor", "EMAIL": "firmware@quillmoor.example"}
        self.environment = {
            "PATH": f"{tools}:{os.environ['PATH']}", "HOME": str(folder.parent),
            **{f"GIT_{role}_{key}": value for role in ("AUTHOR", "COMMITTER") for key, value in who.items()},
        }  # fmt: skip

    def __call__(self, script: str, *, works: bool = True) -> str:
        said = subprocess.run(
            ["sh", "-c", script], cwd=self.folder, env=self.environment, capture_output=True, text=True, check=False
        )
        assert (said.returncode == 0) == works, said.stdout + said.stderr
        return said.stdout


@pytest.fixture
def desk(tool: Callable[[str], str], tmp_path: Path) -> Desk:
    tool("git")
    made = Desk(tmp_path / "project")
    (made.folder / "app.c").write_text("int step = 1;\n")
    (made.folder / ".gitignore").write_text("releases/\n")
    made(
        'git init --quiet --bare ../hub.git; git init --quiet --initial-branch=main; git remote add origin "$PWD/../hub.git"'
    )
    return made


def state(desk: Desk) -> str:
    return desk("git symbolic-ref HEAD; git status --porcelain; git ls-files; ls -a; ls releases 2>/dev/null; true")


@pytest.mark.parametrize("committed", [True, False])
@pytest.mark.parametrize("plain", [True, False])
def test_begun_at_the_right_moment_or_not_at_all(desk: Desk, plain: bool, committed: bool) -> None:
    """A plain folder that an earlier `log new` made, or nothing to begin from: the repository stays as it is."""
    if plain:
        desk("imgseal log new")
    desk("git add --all" + ("; git commit --quiet --message first" if committed else ""))
    before = state(desk)
    desk(beginning(), works=committed and not plain)
    if plain or not committed:
        assert state(desk) == before
        return
    assert desk("git -C releases log --format=%s; ls releases") == "The release log\nrelease.head\nrelease.log\n"
    assert desk("git symbolic-ref --short HEAD; git ls-files") == "main\n.gitignore\napp.c\n"


def test_another_desk_has_it_once_and_keeps_up(desk: Desk) -> None:
    desk("git add --all; git commit --quiet --message first; git push --quiet origin main")
    desk(beginning())
    other = Desk(desk.folder.parent / "other")
    other('git clone --quiet --branch main "$PWD/../hub.git" .')
    bring, add, keep_up = re.findall(r"`(git (?:fetch|worktree|-C releases pull)[^`]*)`", PAGE)
    other(f"{bring} && {add}")
    change = "cd releases && echo {} >>release.log && git commit --quiet --all --message {} && git push --quiet"
    for number, (writer, reader) in enumerate(((desk, other), (other, desk)), 1):
        writer(change.format(number, number))
        reader(keep_up)
        assert (reader.folder / "releases" / "release.log").read_text().splitlines()[-1] == str(number)
