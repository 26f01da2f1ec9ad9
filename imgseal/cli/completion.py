"""What a shell completes for a value: files or folders, by the name that help gives it. The rest is click's."""

import re

import click

_FILES = frozenset(
    {"ARTEFACT", "DUMP", "FILE", "KEY", "NEW", "OLD", "OLDER", "PACKAGE", "PATH", "REQUEST", "RESPONSE", "SEALED"}
)
_FOLDERS = frozenset({"DIR", "FOLDER"})


def complete_paths(command: click.Command) -> None:
    """Let the values of a command, and of those below it, complete as paths where they are paths.

    Without this a shell that has our completion would complete no file any more. Values are checked by the commands and
    not by click, so this is done when a shell asks, and never else.
    """
    for parameter in command.params:
        if isinstance(parameter.type, click.types.StringParamType):
            name = parameter.metavar or (parameter.name or "").upper()
            words = set() if name == "KEY=VALUE" else set(re.findall("[A-Z]+", name))
            if words & _FOLDERS:
                parameter.type = click.Path(file_okay=False)
            elif words & _FILES:
                parameter.type = click.Path()
    if isinstance(command, click.Group):
        for below in command.commands.values():
            complete_paths(below)
