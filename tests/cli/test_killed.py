"""What is left of a command that is ended before or after any call that changes files.

Source of truth: docs/keys.md (a private key has no name before it is complete, and one name then) and docs/cli.md (a folder with
release.json is whole); git is asked what it would take.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from long_runs import mainly
from workshop import ALL, Imgseal

from imgseal.keys.pem import load_private, load_public

HERE = Path(__file__).parent
Tool = Callable[[str], str]
PAIR = ("keys/images.pem", "keys/images.pub.pem")


def ended(signal: str, template: Path, folder: Path, *arguments: str, plain: bool = False) -> list[tuple[Path, int]]:
    """Run the command once for each moment; return the folder and the status of each attempt, the whole one last."""
    folder.mkdir()
    options = [signal, "--plain"] if plain else [signal]
    done = subprocess.run(
        [sys.executable, str(HERE / "killed_at.py"), *options, str(template), str(folder), "--", *arguments],
        check=True,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    made = [line.split() for line in done.stdout.splitlines()]
    return [(folder / number, int(status)) for number, status in made]


def files(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def taken(git: str, folder: Path) -> list[str]:
    """What `git add -A` takes."""
    said = subprocess.run([git, "add", "-A", "--dry-run"], cwd=folder, check=True, capture_output=True, text=True)
    return sorted(line[5:-1] for line in said.stdout.splitlines())


@pytest.fixture
def repository(tmp_path: Path, imgseal: Imgseal, tool: Tool, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that `imgseal init` and `git init` were called in."""
    folder = tmp_path / "repository"
    folder.mkdir()
    monkeypatch.chdir(folder)
    assert imgseal("init").status == 0
    subprocess.run([tool("git"), "init", "--quiet"], check=True)
    return folder


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize("ignored", ["by init", "keys alone"])
def test_a_private_key_has_one_name_and_is_complete(
    repository: Path, tmp_path: Path, tool: Tool, plain: bool, ignored: str
) -> None:
    """Killed anywhere: no file but the private key's own holds any of it, and git takes none of it."""
    git = tool("git")
    if ignored == "keys alone":
        (repository / ".gitignore").write_text("keys/*.pem\n!*.pub.pem\n")
    attempts = ended("KILL", repository, tmp_path / "killed", "key", "new", "--no-passphrase", PAIR[0], plain=plain)
    assert len(attempts) > 15
    assert {status for _, status in attempts[:-1]} == {-9}
    moments = set()
    for folder, _ in attempts:
        left = [name for name in files(folder) if not name.startswith(".git/")]
        secret = [name for name in left if b"PRIVATE" in (folder / name).read_bytes()]
        assert [name for name in secret if not name.endswith(".part/secret")] in ([], [PAIR[0]]), folder
        assert plain or secret in ([], [PAIR[0]]), folder
        if PAIR[0] in secret:
            load_private((folder / PAIR[0]).read_bytes(), PAIR[0], lambda: pytest.fail("there is no pass phrase"))
            status = (folder / PAIR[0]).stat()
            assert status.st_mode & 0o777 == 0o600
            assert plain or status.st_nlink == 1
        if PAIR[1] in left:
            load_public((folder / PAIR[1]).read_bytes(), PAIR[1])
        beside = [name for name in taken(git, folder) if name not in (".gitignore", "imgseal.toml", PAIR[1])]
        if ignored == "keys alone":  # what is staged of the public half, and a .gitignore that has nothing in it yet
            beside = [name for name in beside if not name.startswith("keys/.images.pub.pem.")]
            beside = [name for name in beside if not name.endswith("/.gitignore") or (folder / name).stat().st_size]
        assert beside == [], folder
        moments.add((PAIR[0] in left, PAIR[1] in left))
    assert moments == {(False, False), (True, False), (True, True)}


@pytest.mark.parametrize("signal", ["TERM", "HUP", "INT"])
@pytest.mark.parametrize("plain", [False, True])
def test_a_signal_leaves_both_keys_or_nothing(repository: Path, tmp_path: Path, signal: str, plain: bool) -> None:
    before = files(repository)
    status = {"TERM": 143, "HUP": 129, "INT": 130}[signal]
    attempts = ended(signal, repository, tmp_path / "ended", "key", "new", "--no-passphrase", PAIR[0], plain=plain)
    assert {status for _, status in attempts[:-1]} == {status}
    found = {tuple(name for name in files(folder) if name not in before) for folder, _ in attempts}
    assert found == {(), PAIR}


def whole(out: Path, contents: tuple[dict[str, bytes], ...]) -> int | None:
    """Which of the builds `release.json` stands for, after holding it against the files that it names."""
    parts = [path for path in out.iterdir() if path.name.endswith(".part")]
    assert all(path.name.startswith(".") for path in parts)
    for path in out.iterdir():
        if path not in parts:
            assert path.read_bytes() in [made.get(path.name) for made in contents], path
    try:
        text = (out / "release.json").read_bytes()
    except FileNotFoundError:
        return None
    for row in json.loads(text)["files"]:
        data = (out / row["path"]).read_bytes()
        assert (len(data), hashlib.sha256(data).hexdigest()) == (row["size"], row["sha256"]), row["path"]
    return [made["release.json"] for made in contents].index(text)


@pytest.mark.parametrize("signal", mainly("KILL", ["KILL", "TERM"]))
def test_a_build_over_an_earlier_one(imgseal: Imgseal, project: Path, tmp_path: Path, signal: str) -> None:
    """Killed anywhere, release.json is either build's and every file it names is there, or it is not there."""
    newer = ("build", *ALL, "--set", "component.motor.version=2.4.2")
    assert imgseal(*newer, "--out", "newer").status == 0
    new = {path.name: path.read_bytes() for path in (project / "newer").iterdir()}
    shutil.rmtree(project / "newer")
    assert imgseal("build", *ALL).status == 0
    old = {path.name: path.read_bytes() for path in (project / "out").iterdir()}
    attempts = ended(signal, project, tmp_path.parent / f"{tmp_path.name}-{signal}", *newer)
    assert len(attempts) > 40
    found = [whole(folder / "out", (old, new)) for folder, _ in attempts]
    assert found[-1] == 1
    order = [0, None, 1] if signal == "KILL" else [0, 1]
    assert [each for n, each in enumerate(found) if n == 0 or each != found[n - 1]] == order
    if signal == "TERM":
        assert all(not list((folder / "out").glob(".*")) for folder, _ in attempts)
