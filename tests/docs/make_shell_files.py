"""Writes what the wheel holds for the shell: the manual page, from the click commands, and click's completion scripts.

    python tests/docs/make_shell_files.py

Run it after a change of commands, options or help texts; tests/docs/test_shell_files.py says when.
"""

import inspect
import re
import textwrap
from collections.abc import Iterator
from pathlib import Path

import click
from click.shell_completion import BashComplete, FishComplete, ShellComplete, ZshComplete

from imgseal import __version__
from imgseal.cli.app import COMMANDS, app

FOLDER = Path(__file__).parents[2] / "docs" / "shell"

COMPLETIONS: dict[str, type[ShellComplete]] = {
    "imgseal": BashComplete,
    "_imgseal": ZshComplete,
    "imgseal.fish": FishComplete,
}

ENVIRONMENT = {
    "IMGSEAL_PASSPHRASE": "Pass phrase of private key files; asked for without it.",
    "IMGSEAL_PIN": "PIN of a PKCS#11 token; asked for without it.",
    "IMGSEAL_PKCS11_MODULE": "PKCS#11 module (a shared library) for keys in tokens.",
    "SOURCE_DATE_EPOCH": "Build time in seconds since 1970, so that the same inputs give the same bytes.",
}
FILES = {
    "imgseal.toml": "The product file, in this folder or a parent.",
    "imgseal.local.toml": "Beside it: key references of one desk.",
}
STATUSES = {
    0: "Done, or accepted.",
    1: "Refused by a check.",
    2: "Wrong usage, or a mistake in the product file.",
    3: "Input unreadable or unsupported, or output not writable.",
    4: "A key cannot be read, opened or used.",
    5: "Internal error: a defect of imgseal.",
}


# by click's condition an autoloaded function offers something the first time only, and registers another the second time
ONCE = "$zsh_eval_context[-1] == loadautofunc"
ALWAYS = "$funcstack[1] == _imgseal"


def completion(name: str) -> str:
    source = COMPLETIONS[name](app, {}, "imgseal", "_IMGSEAL_COMPLETE").source()
    assert (ONCE in source) == (name == "_imgseal")
    return source.replace(ONCE, ALWAYS).rstrip("\n") + "\n"


def manual() -> str:
    """The manual page, with man(7) macros only."""
    context = click.Context(app, info_name="imgseal")
    commands: list[str] = []
    for path, command in walk(context, app):
        if command is not app:
            commands += section(path, command)
    lines = [
        '.\\" Written by tests/docs/make_shell_files.py from the commands; do not edit.',
        f'.TH IMGSEAL 1 "" "imgseal {__version__}" "User Commands"',
        ".SH NAME",
        "imgseal \\- seal, sign, pack and judge firmware for microcontroller products",
        ".SH SYNOPSIS",
        "\\fBimgseal\\fR [\\-\\-help | \\-\\-version] \\fIcommand\\fR [\\fIarguments\\fR]",
        ".SH DESCRIPTION",
        *prose(app.help or ""),
        ".PP",
        "The commands:",
        *terms({name: does for name, (_, does) in COMMANDS.items()}),
        ".SH COMMANDS",
        *commands,
        ".SH ENVIRONMENT",
        *terms(ENVIRONMENT),
        ".SH FILES",
        *terms(FILES),
        ".SH EXIT STATUS",
        *terms({str(status): meaning for status, meaning in STATUSES.items()}),
        ".SH EXAMPLES",
        *verbatim((app.epilog or "").split("\b")[1]),
    ]
    return "\n".join(lines) + "\n"


def walk(context: click.Context, command: click.Command) -> Iterator[tuple[click.Context, click.Command]]:
    """Every command with its context, a group before what is below it."""
    yield context, command
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from walk(click.Context(below, info_name=name, parent=context), below)


def section(context: click.Context, command: click.Command) -> list[str]:
    """A command: usage, what it does, options, examples."""
    pieces = [] if isinstance(command, click.Group) else command.collect_usage_pieces(context)
    lines = [f".SS {escaped(context.command_path)}"]
    if pieces:
        lines += [f"\\fB{escaped(context.command_path)}\\fR {escaped(' '.join(pieces))}", ".PP"]
    lines += prose(command.help or "")
    options = (parameter for parameter in command.params if isinstance(parameter, click.Option))
    lines += terms(dict(record for option in options if (record := option.get_help_record(context))))
    for block in (command.epilog or "").split("\b")[1:]:
        lines += [".PP", *verbatim(block)]
    return lines


def prose(text: str) -> list[str]:
    lines = []
    for number, paragraph in enumerate(re.split(r"\n\s*\n", inspect.cleandoc(text))):
        if number:
            lines.append(".PP")
        lines += filled(paragraph.replace("\b", ""))
    return lines


def filled(text: str) -> list[str]:
    """Lines of less than 80 bytes, as pages are written."""
    lines = textwrap.wrap(" ".join(text.split()), 70, break_long_words=False, break_on_hyphens=False)
    return [escaped(line) for line in lines]


def verbatim(block: str) -> list[str]:
    return [".nf", *(escaped(line) for line in block.strip("\n").split("\n") if line), ".fi"]


def terms(table: dict[str, str]) -> list[str]:
    return [line for term, text in table.items() for line in (".TP", f"\\fB{escaped(term)}\\fR", *filled(text))]


def escaped(text: str) -> str:
    """Text that roff prints as it stands: hyphens that can be copied, no control characters at the start."""
    text = text.replace("\\", "\\e").replace("-", "\\-").replace('"', "\\(dq").replace("'", "\\(aq")
    return "\\&" + text if text.startswith(".") else text


def contents() -> dict[str, str]:
    """Every file by name."""
    return {"imgseal.1": manual(), **{name: completion(name) for name in COMPLETIONS}}


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, text in contents().items():
        (FOLDER / name).write_text(text)
        print(FOLDER / name)
