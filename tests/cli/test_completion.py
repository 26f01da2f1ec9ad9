"""A shell completes files and folders where a value is one: the names that help gives to values, docs/cli.md."""

from collections.abc import Iterator

import click
import pytest

from imgseal.cli.app import app
from imgseal.cli.completion import complete_paths


def values_of(command: click.Command) -> Iterator[click.Parameter]:
    """Every option and argument of a command and of those below it."""
    yield from command.params
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from values_of(below)


@pytest.fixture(autouse=True)
def as_before() -> Iterator[None]:
    """Completing changes the commands, which other tests of this process run."""
    before = [(parameter, parameter.type) for parameter in values_of(app)]
    yield
    for parameter, kind in before:
        parameter.type = kind


@pytest.fixture
def command() -> click.Group:
    @click.group()
    @click.option("--out", metavar="DIR")
    @click.option("--key", metavar="KEY|URI")
    @click.option("--set", "pairs", metavar="KEY=VALUE")
    @click.option("--count", type=int)
    def group(**_values: object) -> None: ...

    @group.command()
    @click.argument("package")
    @click.argument("word", metavar="WORD")
    def below(**_values: object) -> None: ...

    complete_paths(group)
    return group


def offered(parameter: click.Parameter) -> list[str]:
    """What the shell is told to complete: its own kinds are `file` and `dir`."""
    context = click.Context(click.Command("imgseal"))
    return [item.type for item in parameter.type.shell_complete(context, parameter, "")]


def test_values_that_are_paths(command: click.Group) -> None:
    found = {parameter.name: offered(parameter) for parameter in command.params}
    assert found == {"out": ["dir"], "key": ["file"], "pairs": [], "count": []}


def test_those_of_commands_below(command: click.Group) -> None:
    assert {p.name: offered(p) for p in command.commands["below"].params} == {"package": ["file"], "word": []}


def test_every_folder_and_file_of_the_commands() -> None:
    assert isinstance(app, click.Group)
    context = click.Context(app)
    found: set[tuple[str, str]] = set()
    for name in app.list_commands(context):
        command = app.get_command(context, name)
        assert command is not None
        complete_paths(command)
        found |= {(p.metavar or (p.name or "").upper(), item) for p in command.params for item in offered(p)}
    assert {kind for name, kind in found if name in {"DIR", "FOLDER"}} == {"dir"}
    assert {kind for name, kind in found if name in {"FILE", "PACKAGE", "ARTEFACT"}} == {"file"}


def test_commands_complete_only_where_a_shell_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    """The variable is click's, for a program of this name; without it values stay what the command checks itself."""
    assert isinstance(app, click.Group)
    context = click.Context(app)
    for value, kinds in ((None, False), ("bash_complete", True)):
        monkeypatch.delenv("_IMGSEAL_COMPLETE", raising=False)
        if value is not None:
            monkeypatch.setenv("_IMGSEAL_COMPLETE", value)
        command = app.get_command(context, "check")
        assert command is not None
        assert any(isinstance(p.type, click.Path) for p in command.params) == kinds
