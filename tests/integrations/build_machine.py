"""A build machine for the CI examples: a clean clone, the wheel of imgseal, and no network.

What differs from the real thing: `sudo` runs the command, `apt-get` installs nothing and refuses packages that the tests
do not have, and pip takes the libraries under imgseal from the test environment instead of a registry.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from importlib import metadata
from pathlib import Path
from typing import Any

from new_project import PAGES, PASS_PHRASE, ROOT, Project
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import imgseal

SECRETS = {
    "DEVELOPMENT_IMAGES_PEM": "keys-dev/images.pem",
    "DEVELOPMENT_PACKAGES_PEM": "keys-dev/packages.pem",
    "IMAGES_PEM": "keys/images.pem",
    "PACKAGES_PEM": "keys/packages.pem",
}
"""Name of a secret -> the key file at the maker's desk that it holds."""


LOG = '\n[log]\npath = "releases/release.log"\npin = "releases/release.head"\n'


def publish(project: Project, wheel: Path | None) -> None:
    """Make the project a repository with the wheel in it, a release log, a tag, and a hub that has all of it.

    Release keys have a pass phrase. The log is begun as docs/integrations.md says.
    """
    for role in ("keys/images", "keys/packages"):
        said = project.run("imgseal", "key", "new", f"{role}.pem", IMGSEAL_PASSPHRASE=PASS_PHRASE)
        assert said.returncode == 0, said.stderr
    project.copy("make/Makefile", "make/imgseal.mk")
    (project.folder / "tools").mkdir()
    if wheel is not None:
        shutil.copy(wheel, project.folder / "tools")
        said = write_requirements(project.folder / "tools" / wheel.name, library_stubs(project.folder.parent / "stubs"))
        assert said.returncode == 0, said.stderr
    shutil.copy(PAGES / "release" / "release.sh", project.folder / "tools")
    with open(project.folder / ".gitignore", "a") as ignore:
        ignore.write("out/\nbuilt/\nrelease/\nreleases/\n*.elf\n.venv/\n")
    project.edit("imgseal.toml", "sequence = 1 ", 'sequence = "next" ')
    with open(project.folder / "imgseal.toml", "a") as file:
        file.write(LOG)
    commit(project, "the firmware")
    git(project, "init", "--quiet", "--bare", "--initial-branch=main", str(hub(project)))
    git(project, "remote", "add", "origin", str(hub(project)))
    git(project, "push", "--quiet", "origin", "main")
    said = project.run("sh", "-c", beginning())
    assert said.returncode == 0, said.stderr
    tag(project, "v1.0.0")


def beginning() -> str:
    """Return how docs/integrations.md begins the branch of the log."""
    (begin,) = re.findall(r"```sh\n([^`]*imgseal log new[^`]*)```", (PAGES.parent / "integrations.md").read_text())
    return str(begin)


def hub(project: Project) -> Path:
    """Return where everybody fetches from and pushes to."""
    return project.folder.parent / "hub.git"


def tag(project: Project, name: str) -> None:
    """Tag what is committed, for all to see."""
    git(project, "tag", name)
    git(project, "push", "--quiet", "origin", "main", name)


def logged(project: Project) -> list[dict[str, Any]]:
    """Return the entries of the log at the tip of its branch; it holds, and goes on from its pin."""
    log = git(project, "--git-dir", str(hub(project)), "show", "releases:release.log") + "\n"
    head = git(project, "--git-dir", str(hub(project)), "show", "releases:release.head")
    copy = project.folder.parent / "copy.log"
    copy.write_text(log.lstrip("\n"))
    said = project.run("imgseal", "log", "verify", "--log", str(copy), "--against", head)
    assert said.returncode == 0, said.stderr
    assert f"head {head}" in said.stdout
    return [json.loads(line)["entry"] for line in log.splitlines() if line]


def needed_by(name: str) -> list[str]:
    """The names of the libraries that a distribution needs here, without extras."""
    needed = [Requirement(text) for text in metadata.requires(name) or []]
    return [canonicalize_name(n.name) for n in needed if n.marker is None or n.marker.evaluate({"extra": ""})]


def libraries() -> dict[str, str]:
    """Every library under imgseal, by name, and the version of it that the tests run with."""
    found: dict[str, str] = {}
    waiting = needed_by("imgseal")
    while waiting:
        name = waiting.pop()
        if name not in found:
            found[name] = metadata.version(name)
            waiting += needed_by(name)
    return found


def library_stubs(folder: Path) -> Path:
    """Wheels with the names and versions of the libraries and nothing in them: what a registry would serve."""
    folder.mkdir()
    for name, version in libraries().items():
        stem = f"{name.replace('-', '_')}-{version}"
        files = {
            "METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n"
            + "".join(f"Requires-Dist: {other}\n" for other in needed_by(name)),
            "WHEEL": "Wheel-Version: 1.0\nGenerator: tests\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
            "RECORD": "",
        }
        with zipfile.ZipFile(folder / f"{stem}-py3-none-any.whl", "w") as wheel:
            for part, text in files.items():
                wheel.writestr(f"{stem}.dist-info/{part}", text)
    return folder


def write_requirements(wheel: Path, registry: Path) -> subprocess.CompletedProcess[str]:
    """Run the script of the examples as somebody at a desk does, with wheels in a folder for a registry."""
    python = wheel.parent.parent.parent / "desk"
    python.mkdir()
    (python / "python3").write_text(f'#!/bin/sh\nexec "{sys.executable}" "$@"\n')
    (python / "python3").chmod(0o755)
    environment = {
        "PATH": f"{python}:{os.environ['PATH']}", "PIP_NO_INDEX": "1", "PIP_FIND_LINKS": str(registry), "PIP_CONFIG_FILE": os.devnull,
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
    }  # fmt: skip
    script = ROOT / "docs" / "integrations" / "pip" / "requirements.sh"
    return subprocess.run(["sh", str(script), str(wheel)], capture_output=True, text=True, check=False, env=environment)


def commit(project: Project, message: str) -> None:
    if not (project.folder / ".git").exists():
        git(project, "init", "--quiet", "--initial-branch=main")
        git(project, "config", "user.name", "Quillmoor")
        git(project, "config", "user.email", "firmware@quillmoor.example")
    git(project, "add", "--all")
    git(project, "commit", "--quiet", "--no-verify", "--message", message)


def git(project: Project, *arguments: str) -> str:
    said = project.run("git", *arguments)
    assert said.returncode == 0, said.stderr
    return said.stdout.strip()


class Machine:
    """Runs steps in a clone of a project, of one tag."""

    def __init__(self, project: Project, folder: Path, tag: str = "v1.0.0") -> None:
        folder.mkdir(exist_ok=True)
        self.clone = folder / "clone"
        self.tag = tag
        git(project, "clone", "--quiet", "--branch", tag, str(hub(project)), str(self.clone))
        assert [path for path in self.clone.rglob("*.pem") if not path.name.endswith(".pub.pem")] == []
        tools = folder / "machine"
        tools.mkdir()
        known = "|".join(
            sorted(set(re.findall(r"^[^|\n]+\|([\w.+-]+)\|", (ROOT / "tests" / "run").read_text(), re.MULTILINE)))
        )
        for name, text in {
            "sudo": 'exec "$@"',
            "python3": f'exec "{sys.executable}" "$@"',
            "apt-get": f"""
                [ "$1" = install ] || exit 0
                shift
                for name; do case "$name" in -y|--no-install-recommends|git|python3-venv|{known}) ;;
                *) echo "no package $name" >&2; exit 100 ;; esac; done""",
        }.items():
            (tools / name).write_text(f"#!/bin/sh\n{text}\n")
            (tools / name).chmod(0o755)
        self.environment = {
            "PATH": f"{tools}:{os.environ['PATH']}",
            "HOME": str(folder),
            "PIP_NO_INDEX": "1",
            "PIP_NO_DEPS": "1",
            "PIP_NO_COMPILE": "1",
            "PIP_DISABLE_PIP_VERSION_CHECK": "1",
            "PYTHONPATH": sysconfig.get_path("purelib"),
        }

    def run(self, script: str, *, shell: str = "bash", **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [shell, "-e", "-c", script],
            cwd=self.clone,
            env=self.environment | environment,
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
            check=False,
        )

    def judged(self, folder: str, *, development: bool = False) -> str:
        (package,) = (self.clone / folder).glob("*.suit")
        verdict = imgseal.judge(package, product=self.clone / "imgseal.toml", development=development)
        assert verdict.accepted, verdict.findings
        return package.name
