"""Manual page and completion in the wheel say what the commands are.

Sources: the click commands; man(7) by mandoc's linter; what bash, zsh and fish offer when they have loaded the scripts.
"""

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from make_shell_files import COMPLETIONS, ENVIRONMENT, FOLDER, completion, contents, walk
from new_project import write_command

from imgseal import errors
from imgseal.cli.app import COMMANDS, app

ROOT = Path(__file__).parents[2]
COMMAND = "python tests/docs/make_shell_files.py"


@pytest.mark.parametrize("name", ["imgseal.1", *COMPLETIONS])
def test_files_are_of_today(name: str) -> None:
    assert (FOLDER / name).read_text() == contents()[name], f"run {COMMAND}"
    assert sorted(path.name for path in FOLDER.iterdir()) == sorted(contents())


def test_every_command_and_option_has_its_place_in_the_page(tool: Callable[[str], str]) -> None:
    """By the page that a reader sees, not by the text it is written in; each option under its own command."""
    command = [tool("mandoc"), "-T", "ascii", str(FOLDER / "imgseal.1")]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    shown = re.sub(".\b", "", said)
    parts = re.split(
        r"^   (imgseal [a-z -]+)$",
        re.split(r"^(?:COMMANDS|ENVIRONMENT)$", shown, flags=re.MULTILINE)[1],
        flags=re.MULTILINE,
    )
    sections = dict(zip(parts[1::2], parts[2::2], strict=True))
    commands = {
        c.command_path: command
        for c, command in walk(click.Context(app, info_name="imgseal"), app)
        if command is not app
    }
    assert list(sections) == list(commands)
    for path, command_ in commands.items():
        stated = {name for option in command_.params if isinstance(option, click.Option) for name in option.opts}
        for name in stated:
            assert re.search(rf"^ +(?:-\w, )?{name}\b", sections[path], re.MULTILINE), f"{path} {name}"


def test_page_has_no_mistake(tool: Callable[[str], str]) -> None:
    """It states no date, which is the one thing that the linter may miss: the version says which page it is."""
    said = subprocess.run(
        [tool("mandoc"), "-T", "lint", str(FOLDER / "imgseal.1")], capture_output=True, text=True, check=False
    )
    assert [line for line in said.stdout.splitlines() if "missing date" not in line] == []


def test_page_names_every_variable_and_status() -> None:
    """What the package reads of the environment, and the statuses of the error classes."""
    source = "\n".join(path.read_text() for path in (ROOT / "imgseal").rglob("*.py"))
    read = set(re.findall(r'"((?:IMGSEAL_[A-Z0-9_]+|SOURCE_DATE_EPOCH))"', source))
    assert read == set(ENVIRONMENT)
    page = (FOLDER / "imgseal.1").read_text().split(".SH EXIT STATUS")[1]
    for number in {value.exit_status for value in vars(errors).values() if hasattr(value, "exit_status")} | {0, 5}:
        assert f"\\fB{number}\\fR" in page


@pytest.fixture
def shell(tmp_path: Path) -> Callable[..., str]:
    """Run a script by a shell that knows the command, in a folder with a file `app.hex` and a folder `out`."""
    (tmp_path / "bin").mkdir()
    (tmp_path / "here" / "out").mkdir(parents=True)
    (tmp_path / "here" / "app.hex").touch()
    write_command(tmp_path / "bin", tmp_path / "log")

    def run(*command: str, script: str) -> str:
        environment = {"PATH": f"{tmp_path / 'bin'}:{os.environ['PATH']}", "HOME": str(tmp_path), "TERM": "dumb"}
        said = subprocess.run(
            [*command, script], cwd=tmp_path / "here", env=environment, capture_output=True, text=True, check=False
        )
        assert said.returncode == 0, said.stderr
        return said.stdout

    return run


BASH = """
source "{file}"
compopt() {{ echo "and $2"; }}  # only valid while a line is typed
COMP_WORDS=({words} "{last}") COMP_CWORD={number}
COMPREPLY=()
_imgseal_completion imgseal
printf '%s\\n' "${{COMPREPLY[@]}}"
"""


def test_bash(tool: Callable[[str], str], shell: Callable[..., str]) -> None:
    def offered(words: str, last: str) -> list[str]:
        script = BASH.format(file=FOLDER / "imgseal", words=words, last=last, number=len(words.split()))
        return shell(tool("bash"), "--norc", "-c", script=script).split()

    assert offered("imgseal", "") == list(COMMANDS)
    assert offered("imgseal", "bu") == ["build"]
    assert offered("imgseal build", "--dep") == ["--depfile"]
    assert offered("imgseal key", "") == ["new", "public", "show"]
    assert offered("imgseal key new --algorithm", "M") == ["ML-DSA-44"]
    assert offered("imgseal check", "ap") == ["and", "default"]  # bash's own names of files
    assert offered("imgseal build --out", "") == ["and", "dirnames"]
    assert offered("imgseal build app =", "ap") == ["and", "default"]  # bash parts words at the equals sign
    assert offered("imgseal build --set", "") == []


def test_zsh(tool: Callable[[str], str], shell: Callable[..., str]) -> None:
    """The script is loaded as an autoloaded function, as from site-functions; what it offers is printed."""
    script = f"""
        fpath=({FOLDER} $fpath)
        compdef() {{ :; }}
        _describe() {{ print -l -- ${{(P)3}}; }}
        compadd() {{ print -l -- $completions; }}
        _path_files() {{ print "files $1"; }}
        autoload -Uz _imgseal
        offered() {{ words=(imgseal "$@") CURRENT=${{#words}}; _imgseal; print "====="; }}
        offered ""; offered build --dep; offered check ap; offered demo ""
    """
    assert "#compdef imgseal" in (FOLDER / "_imgseal").read_text().split("\n")[0]
    said = shell(tool("zsh"), "-f", "-c", script=script).split("=====\n")
    assert len(said) == 5, said
    assert {line.split(":")[0] for line in said[0].split("\n") if line} == set(COMMANDS), said[0]
    assert "--depfile" in said[1]
    assert said[2:4] == ["files -f\n", "files -/\n"]


def test_fish(tool: Callable[[str], str], shell: Callable[..., str]) -> None:
    """`complete --do-complete` says what a line would be completed with."""
    script = f"source '{FOLDER / 'imgseal.fish'}'\n" + "\necho =====\n".join(
        f"complete --do-complete '{line}'" for line in ("imgseal ", "imgseal build --dep", "imgseal check ap")
    )
    said = shell(tool("fish"), "--no-config", "-c", script=script).split("=====\n")
    assert {line.split("\t")[0] for line in said[0].split("\n") if line} == set(COMMANDS)
    assert said[1].startswith("--depfile")
    assert said[2].split() == ["app.hex"]


def test_paths_are_only_told_to_shells() -> None:
    """Where no shell asks, values stay strings that the commands themselves check."""
    code = (
        "import click; from imgseal.cli.app import app; c = app.get_command(click.Context(app), 'check');"
        "print(type(c.params[0].type).__name__)"
    )
    for environment, kind in (({}, "StringParamType"), ({"_IMGSEAL_COMPLETE": "bash_complete"}, "Path")):
        said = subprocess.run(
            [sys.executable, "-c", code],
            env=os.environ | environment,
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        )
        assert said.stdout.strip() == kind


def test_completion_is_made_by_click() -> None:
    assert all("_IMGSEAL_COMPLETE" in completion(name) for name in COMPLETIONS)
