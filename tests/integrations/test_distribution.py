"""Wheel and source distribution: exactly what belongs in, and what a clean environment makes of them.

Sources: the repository's own list of files; pip, which installs with the libraries of the registry it is set to.
"""

import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest
from long_runs import long
from made_wheel import ROOT, Built, build, built, copy_source, tracked

from imgseal import __version__

__all__ = ["built"]  # a fixture

NAME = f"imgseal-{__version__}"
SHARE = {
    "share/man/man1/imgseal.1": "docs/shell/imgseal.1",
    "share/bash-completion/completions/imgseal": "docs/shell/imgseal",
    "share/zsh/site-functions/_imgseal": "docs/shell/_imgseal",
    "share/fish/vendor_completions.d/imgseal.fish": "docs/shell/imgseal.fish",
}
"""Place below the environment -> file in the repository."""
INFO = ("METADATA", "RECORD", "WHEEL", "entry_points.txt", "licenses/docs/licence.txt", "top_level.txt")
EGG_INFO = ("PKG-INFO", "SOURCES.txt", "dependency_links.txt", "entry_points.txt", "requires.txt", "top_level.txt")


def test_wheel_holds_the_package_and_what_the_shell_takes(built: Built) -> None:
    """Every file of the package and no other: no tests, no caches, nothing that lay beside it."""
    with zipfile.ZipFile(built.wheel) as wheel:
        expected = {
            *tracked("imgseal"),
            *(f"{NAME}.data/data/{place}" for place in SHARE),
            *(f"{NAME}.dist-info/{name}" for name in INFO),
        }
        assert sorted(wheel.namelist()) == sorted(expected)
        for place, file in SHARE.items():
            assert wheel.read(f"{NAME}.data/data/{place}") == (ROOT / file).read_bytes()
        for name in tracked("imgseal"):
            assert wheel.read(name) == (ROOT / name).read_bytes()


@long
def test_the_wheel_is_the_same_bytes_wherever_it_is_made(built: Built, tmp_path: Path) -> None:
    """From the sources and by way of the source distribution, in another folder, with other file times: docs/releasing.md."""
    copy_source(tmp_path)
    for path in (tmp_path / "source").rglob("*"):
        os.utime(path, (1_000_000_000, 1_000_000_000))
    assert build(tmp_path, "--wheel") == ""
    (again,) = (tmp_path / "dist").glob("*.whl")
    assert again.read_bytes() == built.wheel.read_bytes()


def test_sdist_holds_what_the_wheel_is_made_of(built: Built) -> None:
    with tarfile.open(built.sdist) as sdist:
        # setuptools takes tests/test*.py along, whatever is said in pyproject.toml
        names = sorted(m.name for m in sdist if m.isfile() and not m.name.startswith(f"{NAME}/tests/test"))
    files = [
        "PKG-INFO", "README.md", "docs/licence.txt", "pyproject.toml", "setup.cfg",
        *tracked("imgseal", "docs/shell"), *(f"imgseal.egg-info/{name}" for name in EGG_INFO),
    ]  # fmt: skip
    assert names == sorted(f"{NAME}/{name}" for name in files)


@pytest.fixture(scope="module")
def clean(built: Built, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment with the wheel and what it requires, and nothing else."""
    folder = tmp_path_factory.mktemp("clean") / "venv"
    assert run(sys.executable, "-m", "venv", str(folder)).returncode == 0
    said = pip(folder, str(built.wheel))
    if "Could not find a version" in said.stderr and not os.environ.get("CI"):
        pytest.skip("the libraries cannot be fetched")
    assert said.returncode == 0, said.stderr
    return folder


def run(*command: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    return subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, check=False)


def pip(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    constraints = ["--constraint", str(ROOT / "tests" / "constraints.txt")] if os.environ.get("CI") else []
    return run(str(folder / "bin" / "pip"), "install", "--disable-pip-version-check", *constraints, *arguments)


def installed(folder: Path) -> set[str]:
    """The files that pip says it has installed, as far as they do not tell one installation from another."""
    (record,) = folder.glob(f"lib/*/site-packages/{NAME}.dist-info/RECORD")
    names = {line.rsplit(",", 2)[0] for line in record.read_text().splitlines()}
    return {name for name in names if "__pycache__" not in name and not name.endswith("direct_url.json")}


def test_clean_environment(clean: Path, tmp_path: Path) -> None:
    """Version, demo and import; the manual page and completion where shells look."""
    imgseal = str(clean / "bin" / "imgseal")
    assert run(imgseal, "--version").stdout == f"imgseal {__version__}\n"
    demo = run(imgseal, "demo", "try", cwd=tmp_path)
    assert demo.returncode == 0, demo.stderr
    assert "all 10 invariants hold" in demo.stdout
    code = "import imgseal; print(imgseal.__file__, sorted(imgseal.__all__) == sorted(n for n in imgseal.__all__ if getattr(imgseal, n)))"
    said = run(str(clean / "bin" / "python"), "-W", "error", "-c", code, cwd=tmp_path)
    assert said.stdout.startswith(str(clean)), said.stderr
    assert said.stdout.endswith(" True\n")
    for place, file in SHARE.items():
        assert (clean / place).read_bytes() == (ROOT / file).read_bytes()
    assert run(str(clean / "bin" / "pip"), "check").returncode == 0


def test_sdist_installs_the_same(clean: Path, built: Built) -> None:
    before = installed(clean)
    said = pip(clean, "--no-deps", "--force-reinstall", str(built.sdist))
    assert said.returncode == 0, said.stderr
    assert installed(clean) == before
    assert len(before) > 100
