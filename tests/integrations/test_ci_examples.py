"""The CI examples: parsed as YAML, and every shell step of every job executed in a clean clone, in order.

Sources: YAML by PyYAML; the keys used are those of the services' documentation, from memory: nothing here is run by the
services themselves. Conditions (`if`, `rules`) are not evaluated.
"""

import hashlib
import json
import os
import re
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml
from build_machine import (
    Machine,
    git,
    libraries,
    library_stubs,
    logged,
    publish,
    write_requirements,
)
from ci_steps import github, github_steps, gitlab, gitlab_script, gitlab_variables
from long_runs import mainly
from made_wheel import Built, built
from new_project import PAGES, Project, make_project
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

__all__ = ["built"]  # a fixture


@pytest.fixture
def published(tool: Callable[[str], str], tmp_path: Path, built: Built) -> Project:
    for name in ("arm-none-eabi-gcc", "make", "git"):
        tool(name)
    project = make_project(tmp_path)
    publish(project, built.wheel)
    return project


JOBS = {
    "development": ("out", "my-product-0.1.0-1-development.suit"),
    "release": ("release", "my-product-1.0.0-1.suit"),
}


@pytest.mark.parametrize("job", mainly("release", JOBS))
def test_github(published: Project, job: str) -> None:
    folder, package = JOBS[job]
    assert set(github()["jobs"]) == set(JOBS)
    machine = Machine(published, published.folder.parent)
    scripts = {}
    for name, script, environment in github_steps(published, machine, job):
        said = machine.run(script, **environment)
        assert said.returncode == 0, f"{name}\n{said.stdout}{said.stderr}"
        scripts[name] = (script, environment)
    assert list(scripts) == ["Tools", "Keys", *(("Build", "Judge") if job == "development" else ("Release",))]
    assert machine.judged(folder, development=job == "development") == package
    revision = git(published, "rev-parse", "HEAD") in machine.run(f"imgseal show {folder}/app-a.sealed.bin").stdout
    assert revision == (job == "release")
    imported = machine.run(".venv/bin/python -c 'import imgseal; print(imgseal.__file__)'").stdout
    assert imported.startswith(f"{machine.clone}/.venv/")
    if job == "development":
        refused_by_both(machine, *scripts["Build"], scripts["Judge"][0], folder)
    else:
        annotated = nothing_of_a_bad_release(published, machine, *scripts["Release"])
        assert "::error file=built/spare.hex,title=gate.not-sealed::" in annotated


@pytest.mark.parametrize("job", mainly("development", JOBS))
def test_gitlab(published: Project, job: str) -> None:
    folder, package = JOBS[job]
    assert {name for name, value in gitlab().items() if isinstance(value, dict) and "script" in value} == set(JOBS)
    machine = Machine(published, published.folder.parent)
    variables = gitlab_variables(published, machine)
    said = machine.run(gitlab_script(job), **variables)
    assert said.returncode == 0, said.stdout + said.stderr
    assert machine.judged(folder, development=job == "development") == package
    script = gitlab_script(job).split("\n")
    machine.environment["PATH"] = f"{machine.clone / '.venv' / 'bin'}:{machine.environment['PATH']}"
    if job == "development":
        start = script.index("make package")
        refused_by_both(machine, "\n".join(script[start:-1]), variables, script[-1], folder)
    else:
        nothing_of_a_bad_release(published, machine, script[-1], variables)
        report = gitlab()[job]["artifacts"]["reports"]["codequality"]
        (issue,) = json.loads((machine.clone / report).read_text())
        assert issue["location"]["path"] == "built/spare.hex"


def refused_by_both(machine: Machine, build: str, environment: dict[str, str], judge: str, folder: str) -> None:
    """The build rests, fails when imgseal refuses the firmware, and the judge's step fails for a spoiled image."""
    said = machine.run(build, **environment)
    assert (said.returncode, "imgseal build" in said.stdout) == (0, False), said.stdout + said.stderr
    source = machine.clone / "app.c"
    source.write_text(source.read_text().replace("    reset,", "    0,"))
    said = machine.run(build, **environment)
    assert (said.returncode != 0, "content.reset-vector" in said.stderr) == (True, True)
    assert machine.run(judge).returncode == 0
    image = machine.clone / folder / "app-b.sealed.bin"
    image.write_bytes(image.read_bytes()[:-1] + b"!")
    assert machine.run(judge).returncode != 0


def nothing_of_a_bad_release(project: Project, machine: Machine, script: str, environment: dict[str, str]) -> str:
    """What imgseal or its gate refuses is neither logged for others nor published; return what the gate said."""
    before = logged(project)
    assert [entry["sequence"] for entry in before] == [1]
    spare = "-include $(IMGSEAL_OUT)/release.d\n\npackage: spare\nspare: $(IMGSEAL_OUT)/release.json\n"
    spare += "\tprintf ':0400000000200020BC\\n:00000001FF\\n' >$(IMGSEAL_OUT)/spare.hex\n"
    environment = {name: value.replace(machine.tag, "v1.0.1") for name, value in environment.items()}
    machine.environment = {name: value.replace(machine.tag, "v1.0.1") for name, value in machine.environment.items()}
    for name, old, new, words in (
        ("app.c", "    reset,", "    0,", "content.reset-vector"),
        ("imgseal.mk", "-include $(IMGSEAL_OUT)/release.d\n", spare, "gate.not-sealed"),
    ):
        path = machine.clone / name
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))
        said = machine.run(script, **environment)
        assert (said.returncode != 0, words in said.stdout + said.stderr) == (True, True), said.stdout + said.stderr
        assert not (machine.clone / "release").exists()
        assert logged(project) == before
        path.write_text(text)
    return said.stdout


def test_container(tool: Callable[[str], str], published: Project) -> None:
    """Every RUN step by its shell, COPY and ENV by hand, then CMD in a mounted project; the image itself is not built.

    Folders of the recipe become folders of the test. Source: instruction names from memory.
    """
    machine = Machine(published, published.folder.parent)
    text = (PAGES / "container" / "Containerfile").read_text()
    lines = [line for line in text.replace("\\\n", "").split("\n") if line and not line.startswith("#")]
    steps = [(line.split()[0], line.split(maxsplit=1)[1]) for line in lines]
    assert [word for word, _ in steps] == ["FROM", "ARG", "ARG", "RUN", "COPY", "RUN", "ENV", "WORKDIR", "CMD"]
    root = published.folder.parent / "root"
    (root / "var/lib/apt/lists/kept").mkdir(parents=True)

    def inside(value: str) -> str:
        for name in ("PREFIX", "WHEELS", "PATH"):
            value = value.replace(f"${name}", machine.environment.get(name, f"${name}"))
        return value

    for word, rest in steps:
        match word:
            case "ARG":
                name, value = rest.split("=")
                machine.environment[name] = f"{root}{value}"
            case "ENV":
                name, value = rest.split("=")
                machine.environment[name] = inside(value)
            case "COPY":
                *patterns, target = rest.split()
                Path(inside(target)).mkdir(parents=True)
                for pattern in patterns:
                    (file,) = (machine.clone / "tools").glob(pattern)
                    Path(inside(target), file.name).write_bytes(file.read_bytes())
            case "RUN":
                said = machine.run(rest.replace("/var/lib", f"{root}/var/lib"), shell="sh")
                assert said.returncode == 0, said.stderr
            case "CMD":
                for path in ("images.pem", "packages.pem"):
                    (machine.clone / "keys-dev" / path).write_bytes((published.folder / "keys-dev" / path).read_bytes())
                said = machine.run(" ".join(yaml.safe_load(rest)))
                assert said.returncode == 0, said.stderr
    assert list((root / "var/lib/apt/lists").iterdir()) == []
    assert machine.judged("out", development=True) == "my-product-0.1.0-1-development.suit"


def test_no_example_installs_without_hashes() -> None:
    """Whatever a build machine installs, it is what was reviewed."""
    installs = 0
    for page in sorted(path for path in PAGES.rglob("*") if path.is_file()):
        for line in page.read_text().splitlines():
            if re.search(r"pip\"? install", line) and not line.startswith("#"):
                assert "--require-hashes -r requirements.txt" in line, (page, line)
                installs += 1
    assert installs == 4


def test_requirements_name_every_library_with_its_hash(built: Built, tmp_path: Path) -> None:
    """The file parses, names all that imgseal needs, and pip takes these files and no others."""
    wheel = tmp_path / "project/tools" / built.wheel.name
    wheel.parent.mkdir(parents=True)
    wheel.write_bytes(built.wheel.read_bytes())
    stubs = library_stubs(tmp_path / "stubs")
    said = write_requirements(wheel, stubs)
    assert said.returncode == 0, said.stderr
    lines = (wheel.parent / "requirements.txt").read_text().splitlines()
    named = {}
    for line in lines:
        what, _, digest = line.partition(" --hash=sha256:")
        assert re.fullmatch("[0-9a-f]{64}", digest), line
        (file,) = [wheel] if what == f"./{wheel.name}" else stubs.glob(f"{what.replace('==', '-')}-*.whl")
        assert hashlib.sha256(file.read_bytes()).hexdigest() == digest
        if file != wheel:
            requirement = Requirement(what)
            (pin,) = requirement.specifier
            assert pin.operator == "=="
            named[canonicalize_name(requirement.name)] = pin.version
    assert len(lines) == len(named) + 1
    assert named == libraries()
    assert {"click", "cryptography", "jinja2"} <= set(named)

    def install(target: str) -> subprocess.CompletedProcess[str]:
        command = [
            sys.executable,
            "-m",
            "pip",
            "install",
            "--quiet",
            "--no-index",
            "--find-links",
            str(stubs),
            "--target",
            target,
        ]
        command += ["--require-hashes", "-r", "requirements.txt"]
        environment = {**os.environ, "PIP_CONFIG_FILE": os.devnull}
        return subprocess.run(command, cwd=wheel.parent, capture_output=True, text=True, check=False, env=environment)

    assert install("good").returncode == 0
    other = next(stubs.glob("click-*.whl"))
    with zipfile.ZipFile(other, "a") as archive:
        archive.writestr("click.py", "raise SystemExit('somebody else')\n")
    said = install("bad")
    assert (said.returncode != 0, "DO NOT MATCH THE HASHES" in said.stderr) == (True, True), said.stderr
