"""The pre-commit hooks, run by pre-commit itself on real commits and pushes. Source: pre-commit's own behaviour."""

import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from build_machine import commit, git
from new_project import Project, make_project, story


@pytest.fixture
def guarded(tool: Callable[[str], str], tmp_path: Path) -> Project:
    for name in ("arm-none-eabi-gcc", "make", "git"):
        tool(name)
    project = make_project(tmp_path)
    project.environment["PATH"] += f":{Path(sys.executable).parent}"
    project.environment["PRE_COMMIT_HOME"] = str(tmp_path / "hooks")
    project.new_keys("keys/images", "keys/packages")
    project.copy("make/Makefile", "make/imgseal.mk", "pre-commit/.pre-commit-config.yaml")
    with open(project.folder / ".gitignore", "a") as ignore:
        ignore.write("out/\n*.elf\n")
    commit(project, "the firmware")
    said = project.run("pre-commit", "install", "--hook-type", "pre-commit", "--hook-type", "pre-push")
    assert said.returncode == 0, said.stderr
    git(project, "init", "--quiet", "--bare", "../elsewhere")
    return project


def test_hook_of_the_push_builds(guarded: Project) -> None:
    story(guarded, "pre-commit", "run", "--all-files", "--hook-stage", "pre-push")


def refused(project: Project, name: str, *, force: bool = False) -> str:
    """Stage a file and try to commit it; what the hooks say."""
    git(project, "add", *(["--force"] if force else []), name)
    said = project.run("git", "commit", "--message", "another")
    assert said.returncode != 0, name
    git(project, "reset", "--quiet", "--hard")
    return said.stdout + said.stderr


def test_hooks_of_the_commit(guarded: Project) -> None:
    assert "only the .pub.pem file belongs here" in refused(guarded, "keys/images.pem", force=True)
    (guarded.folder / "keys/images-2.pub.pem").write_bytes((guarded.folder / "keys/packages.pem").read_bytes())
    assert "no file holds a private key" in refused(guarded, "keys/images-2.pub.pem", force=True)
    guarded.new_keys("keys/images")
    guarded.edit("imgseal.toml", "core = ", "cores = ")
    assert "component.app.cores" in refused(guarded, "imgseal.toml")
    guarded.new_keys("keys/images", "keys/packages")
    guarded.imgseal("key", "show", "keys/images.pub.pem")
    assert guarded.run("make", "package", "IMGSEAL_OUT=kept", "IMGSEAL_FLAGS=--release").returncode == 0
    git(guarded, "add", "--all")
    said = guarded.run("git", "commit", "--message", "a release, and its keys")
    assert said.returncode == 0, said.stdout + said.stderr
    image = guarded.folder / "kept" / "app-a.sealed.bin"
    image.write_bytes(image.read_bytes()[:-1] + b"!")
    assert "digest.payload" in refused(guarded, "kept/app-a.sealed.bin")


def test_a_push_is_refused(guarded: Project) -> None:
    guarded.edit("app.c", "    reset,", "    0,")
    commit(guarded, "no reset vector")
    said = guarded.run("git", "push", "../elsewhere", "main")
    assert (said.returncode != 0, "content.reset-vector" in said.stdout + said.stderr) == (True, True)
    guarded.edit("app.c", "    0,", "    reset,")
    commit(guarded, "mended")
    said = guarded.run("git", "push", "../elsewhere", "main")
    assert said.returncode == 0, said.stdout + said.stderr
