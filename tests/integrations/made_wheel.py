"""Wheel and source distribution as a user gets them: from a clean copy of the repository, built once for all workers."""

import fcntl
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[2]


class Built(NamedTuple):
    wheel: Path
    sdist: Path


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """Build both with the build front end: first the source distribution, then the wheel from it.

    The front end fetches setuptools as pip does, like tests/run. Without a network the tests are skipped at a desk.
    """
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "distribution"
    folder.mkdir(exist_ok=True)
    with open(folder / "lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "said").exists():
            said = _build(folder)
            (folder / "said").write_text(said)
    said = (folder / "said").read_text()
    if said:
        if "Could not find a version" in said and not os.environ.get("CI"):
            pytest.skip("setuptools cannot be fetched")
        pytest.fail(said)
    (wheel,) = (folder / "dist").glob("*.whl")
    (sdist,) = (folder / "dist").glob("*.tar.gz")
    return Built(wheel, sdist)


def tracked(*places: str) -> list[str]:
    """Return the repository's files, as `git add` would take them, in these places."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", "--", *places]
    names = subprocess.run(command, cwd=ROOT, capture_output=True, check=True).stdout.decode().split("\0")
    return [name for name in names if name and (ROOT / name).is_file()]


def _build(folder: Path) -> str:
    """Return what went wrong, or nothing."""
    copy_source(folder)
    return build(folder)


def copy_source(folder: Path) -> None:
    """Copy the repository's files, and nothing that lies beside them."""
    for name in tracked():
        target = folder / "source" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, target)


def build(folder: Path, *options: str) -> str:
    """Build from the copy; return what went wrong, or nothing."""
    command = [sys.executable, "-m", "build", *options, "--outdir", str(folder / "dist"), str(folder / "source")]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    environment["SOURCE_DATE_EPOCH"] = "1764072000"
    said = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    return said.stdout + said.stderr if said.returncode else ""
