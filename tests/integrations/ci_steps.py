"""The shell steps of the CI examples, taken out of the files themselves: nothing here says what a job does."""

import re
from collections.abc import Iterator
from typing import Any

import yaml
from build_machine import SECRETS, Machine
from new_project import PAGES, PASS_PHRASE, Project


def github() -> dict[str, Any]:
    document: dict[str, Any] = yaml.safe_load((PAGES / "github" / "firmware.yml").read_text())
    return document


def gitlab() -> dict[str, Any]:
    document: dict[str, Any] = yaml.safe_load((PAGES / "gitlab" / ".gitlab-ci.yml").read_text())
    return document


def github_steps(project: Project, machine: Machine, job: str) -> Iterator[tuple[str, str, dict[str, str]]]:
    """Name, script and environment of each shell step; what steps append to GITHUB_PATH comes first in PATH."""
    secrets = {name: (project.folder / path).read_text() for name, path in SECRETS.items()}
    secrets["IMGSEAL_PASSPHRASE"] = PASS_PHRASE
    path = machine.clone.parent / "github_path"
    path.write_text("")
    machine.environment |= {
        "GITHUB_PATH": str(path),
        "GITHUB_REF_NAME": machine.tag,
    }
    for step in github()["jobs"][job]["steps"]:
        if "uses" in step:
            assert step["uses"] in ("actions/checkout@v4", "actions/upload-artifact@v4")
            continue
        environment = {
            name: re.sub(r"\$\{\{ secrets\.(\w+) \}\}", lambda found: secrets[found[1]], value)
            for name, value in step.get("env", {}).items()
        }
        yield step["name"], step["run"], environment
        first = ":".join(reversed(path.read_text().split()))
        if first and not machine.environment["PATH"].startswith(first):
            machine.environment["PATH"] = f"{first}:{machine.environment['PATH']}"


def gitlab_script(job: str, *, tools: bool = True) -> str:
    document = gitlab()
    before = document[document[job]["extends"]]["before_script"] if tools else []
    return "\n".join([*before, *document[job]["script"]])


def gitlab_variables(project: Project, machine: Machine) -> dict[str, str]:
    """Variables of type "file" hold a path."""
    files = {name: str(project.folder / path) for name, path in SECRETS.items()}
    return files | {
        "IMGSEAL_PASSPHRASE": PASS_PHRASE,
        "CI_COMMIT_TAG": machine.tag,
    }


def release_job(service: str, project: Project, machine: Machine) -> tuple[str, dict[str, str]]:
    """Script and environment of the job of a release, as one, without the step that installs tools."""
    if service == "gitlab":
        return gitlab_script("release", tools=False), gitlab_variables(project, machine)
    steps = [step for step in github_steps(project, machine, "release") if step[0] != "Tools"]
    environment = {name: value for _, _, each in steps for name, value in each.items()}
    return "\n".join(script for _, script, _ in steps), environment
