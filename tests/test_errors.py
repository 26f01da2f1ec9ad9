"""Every error and finding that a user can cause says what to do, in words that can be followed and do no harm."""

import ast
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import click
import pytest

from imgseal.cli.app import COMMANDS
from imgseal.errors import ImgsealError, InputError, InternalError, Place, RefusedError, SigningKeyError, UsageError
from imgseal.findings import CheckResult, Finding, Verdict
from imgseal.gate.artefact import finding
from imgseal.workspace.verdict_text import finding_lines, verdict_lines

PROJECT = Path(__file__).parents[1]
ROOT = PROJECT / "imgseal"
KINDS = ("UsageError", "InputError", "SigningKeyError", "RefusedError", "Finding")


def calls() -> Iterator[tuple[str, ast.Call]]:
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in KINDS:
                yield f"{path.name}:{node.lineno}", node


def test_every_error_has_a_hint() -> None:
    missing = []
    for where, node in calls():
        named = {keyword.arg for keyword in node.keywords}
        if "hint" not in named and len(node.args) < 6:  # Finding's sixth value is the hint
            missing.append(where)
    assert missing == []


def test_every_finding_of_the_gate_has_a_hint() -> None:
    """Its helper has usual hints for two codes; all other calls say what to do."""
    missing = []
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "finding":
                code = ast.literal_eval(node.args[0])
                named = {keyword.arg for keyword in node.keywords}
                if "hint" not in named and code not in ("gate.changed", "gate.unreadable"):
                    missing.append(f"{path.name}:{node.lineno}")
    assert missing == []
    assert finding("gate.changed").hint
    assert finding("gate.unreadable").hint


def test_no_hint_is_none() -> None:
    """`hint=f"did you mean {near}?" if near else None` says nothing where nothing is near."""
    empty = []
    for where, node in calls():
        hints = [keyword.value for keyword in node.keywords if keyword.arg == "hint"] + node.args[5:6]
        for hint in hints:
            branches = [hint.body, hint.orelse] if isinstance(hint, ast.IfExp) else [hint]
            if any(isinstance(branch, ast.Constant) and not branch.value for branch in branches):
                empty.append(where)
    assert empty == []


def said() -> Iterator[tuple[str, str]]:
    """Yield every text in the source that may be shown; `{}` stands for what is put in."""
    for path in sorted(ROOT.rglob("*.py")):
        tree = ast.parse(path.read_text())
        inside: set[int] = set()
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr):
                inside.update(id(part) for part in node.values)
                text = "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
                yield f"{path.name}:{node.lineno}", text
            elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inside:
                yield f"{path.name}:{node.lineno}", node.value


# what follows a command up to the end of the clause is looked through for options
COMMAND = re.compile(r"\bimgseal (?P<words>[a-z][a-z-]*(?: [a-z][a-z-]*)?)(?P<rest>[^;,:()\n]*)")
SUBJECT = re.compile(
    r"\bimgseal(?= (?:adds|authors|has|in a|itself|judges|knows|may|needs|never|packs|reads|that|version|with|writes)\b)"
)
"""`imgseal` as the subject of a sentence, not as a command to type."""
OTHERS = {"--help", "--version", "--ours", "--theirs", "--format"}
"""Options of every command, and of git."""


def named_command(words: str) -> click.Command | None:
    """Return the command that `imgseal WORDS` calls; what follows a command that has none below it is prose."""
    name, _, second = words.partition(" ")
    if name not in COMMANDS:
        return None
    command: click.Command = import_module(f"imgseal.{COMMANDS[name][0]}").command
    if isinstance(command, click.Group) and second:
        return command.commands.get(second, command)
    return command


def options_of(command: click.Command) -> set[str]:
    return {option for parameter in command.params for option in parameter.opts}


def every_option() -> set[str]:
    known = set(OTHERS)
    for name in COMMANDS:
        command = named_command(name)
        assert command is not None
        known |= options_of(command)
        if isinstance(command, click.Group):
            known = known.union(*map(options_of, command.commands.values()))
    return known


def wrong_with(text: str) -> Iterator[str]:
    for match in COMMAND.finditer(SUBJECT.sub("", text)):
        command = named_command(match["words"])
        if command is None:
            yield f"no command: {match[0]}"
            continue
        known = options_of(command) | {"--help"}
        yield from (
            f"no option: {match[0]}" for option in re.findall(r"--[a-z-]+", match["rest"]) if option not in known
        )


def test_named_commands_exist() -> None:
    """A command that a message, hint or help text names is there, with the options named beside it."""
    assert [f"{where}: {words}" for where, text in said() for words in wrong_with(text)] == []


@pytest.mark.parametrize(
    "text", ["imgseal stamp FILE", "imgseal check --hardware FILE", "imgseal key new FILE --force"]
)
def test_what_does_not_exist_is_found(text: str) -> None:
    assert list(wrong_with(text))


def test_named_options_exist() -> None:
    """Also where the command is left to the reader: some command has the option."""
    hints = [
        (where, part.value)
        for where, node in calls()
        for keyword in node.keywords
        for part in ast.walk(keyword.value)
        if isinstance(part, ast.Constant) and isinstance(part.value, str)
    ]
    known = every_option()
    unknown = [
        (where, option)
        for where, text in hints
        for option in re.findall(r"(?<![\w-])--[a-z][a-z-]*", text)
        if option not in known
    ]
    assert len(hints) > 500
    assert unknown == []


def test_named_pages_exist() -> None:
    pages = {
        (where, page) for where, text in said() for page in re.findall(r"docs/[a-z0-9/-]+\.[a-z0-9.]*[a-z0-9]", text)
    }
    assert [entry for entry in sorted(pages) if not (PROJECT / entry[1]).exists()] == []


def test_lines_say_place_expected_found_and_hint() -> None:
    place = Place(file="imgseal.toml", line=7, key="component.motor.counter")
    error = UsageError("not a number", place=place, expected="0 to 9", found="x", hint="give a number")
    assert error.lines() == [
        "imgseal.toml:7, component.motor.counter: not a number",
        "  expected: 0 to 9",
        "  found: x",
        "  hint: give a number",
    ]
    assert str(Place(line=3, offset=16, address=0x20400)) == "line 3, offset 16, address 0x00020400"


def test_nothing_in_a_message_acts_on_a_terminal() -> None:
    """Names of files, keys of JSON and texts of manifests are a stranger's."""
    bad = "a\x1b[2Jb\nc\u202ed\udc80"
    error = UsageError(bad, place=Place(file=bad, key=bad), expected=bad, found=bad, hint=bad)
    finding = Finding(bad, bad, Place(key=bad), bad, bad, bad)
    verdict = Verdict(bad, bad, bad, (CheckResult(bad, "rules", bad, "failed", (finding,)),), ((bad, bad),), (bad,))
    for line in (*error.lines(), *finding_lines(finding, bad), *verdict_lines(verdict, bad, every_check=True)):
        assert line.isprintable(), line
    assert error.lines()[3] == r"  hint: a\x1b[2Jb\nc\u202ed\udc80"


def test_exit_statuses() -> None:
    kinds = (RefusedError, UsageError, InputError, SigningKeyError, InternalError)
    assert [kind.exit_status for kind in kinds] == [1, 2, 3, 4, 5]
    assert all(issubclass(kind, ImgsealError) for kind in kinds)
