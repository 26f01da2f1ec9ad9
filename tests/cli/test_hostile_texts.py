"""Hostile texts at every key of the product file, and every command that prints or writes them.

Source of truth: docs/format/product-file.md (what a text may hold); C99 5.1.1.2 and 6.4.9 (where a comment ends); the HTML parser of the
standard library; a shell, which is given every command that is printed.
"""

import copy
import re
import subprocess
import tomllib
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from workshop import ALL, BUILD_TIME, Imgseal

from imgseal.demo.firmware import code
from imgseal.errors import UsageError
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.product.read_toml import read
from imgseal.product.starter import product_text
from imgseal.product.write_toml import write_toml

KeyPath = tuple[str | int, ...]
ACTING = {
    "terminal title": "\x1b]0;owned\x07",
    "terminal colour": "\x1b[31m",
    "C1 control": "\x9b31m",
    "carriage return": "all is well\r",
    "null": "a\0b",
}
"""Refused wherever they stand."""
FOR_PEOPLE = {"line feed": "one\naccepted, for every device: two", "turned": "abc\u202edef", "joined": "a\u200cb"}
"""Refused outside texts that people read."""
WORDS = {
    "end of a comment": "x*/ int owned; /*",
    "cut comment": "x*\\\n/ int owned; /*".replace("\n", ""),
    "trigraph": "x ??/",
    "end of a line": "x\\",
    "script": '"\'><script>owned()</script><b onclick="owned()">&amp;',
    "style": "</style></title><script>owned()</script>",
    "shell": "$(touch owned)`touch owned`",
    "shell words": "x; touch owned #' \" && touch owned",
    "option": "--no-passphrase",
    "format": "%s%n{0}{{7*7}}{% raw %}",
    "annotation": "::error title=owned::owned",
    "make": "$(shell touch owned) : owned",
}
"""Printable, and taken where the key takes any text."""


def everything() -> dict[str, Any]:
    """The demo's product file with all tables and keys that hold texts."""
    text = (
        product_text()
        + """
[log]
path = "release.log"

[gate]
raw = ["*.raw"]

[[gate.exception]]
path = "third-party/a.hex"
reason = "not ours"
until = 2099-01-01

[variant.rev1]
class = "vent-drive-rev1"
hardware = "2..2"
"""
    )
    made = tomllib.loads(text.replace("[trust.images]", '[trust]\napex = "keys/apex.pub.pem"\n\n[trust.images]', 1))
    made["gate"]["exception"][0]["until"] = "DAY"
    return made


def written(tree: dict[str, Any]) -> str:
    return write_toml(tree).replace('"DAY"', "2099-01-01")


def texts(tree: object, above: KeyPath = ()) -> Iterator[KeyPath]:
    below = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in below:
        if isinstance(value, str) and value != "DAY":
            yield (*above, key)
        yield from texts(value, (*above, key))


def names(tree: object, above: KeyPath = ()) -> Iterator[KeyPath]:
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield (*above, key)
            yield from names(value, (*above, key))


def at(tree: Any, path: KeyPath) -> Any:
    for key in path:
        tree = tree[key]
    return tree


def put(tree: Any, path: KeyPath, value: str) -> None:
    at(tree, path[:-1])[path[-1]] = value


def taken(tree: dict[str, Any]) -> bool:
    said: list[str] = []
    try:
        read(written(tree), name="imgseal.toml")
    except UsageError as error:
        said = error.lines()
    assert all(line.isprintable() for line in said)
    return not said


def people(path: KeyPath) -> bool:
    return path[0] == "text" or [key for key in path if isinstance(key, str)][-1] in ("description", "hazard", "reason")


def test_no_text_and_no_name_acts() -> None:
    """Every text and every name of a table, with what acts on a terminal in it."""
    tried = refused = 0
    base = everything()
    assert taken(base)
    for path in texts(base):
        for kind, hostile in {**ACTING, **FOR_PEOPLE}.items():
            tree = copy.deepcopy(base)
            put(tree, path, f"{at(tree, path)}{hostile}")
            said = taken(tree)
            assert not said or (kind in FOR_PEOPLE and people(path)), (path, kind)
            tried, refused = tried + 1, refused + (not said)
    for path in names(base):
        for hostile in (*ACTING.values(), *FOR_PEOPLE.values()):
            tree = copy.deepcopy(base)
            above = at(tree, path[:-1])
            above[f"{path[-1]}{hostile}"] = above.pop(path[-1])
            assert not taken(tree), path
            tried, refused = tried + 1, refused + 1
    print(f"{tried} texts and names, {refused} refused")
    assert tried > 1000


def test_a_variant_is_named_as_everything_is() -> None:
    """Its name becomes a folder of the build."""
    for name in ("../../elsewhere", "a b", "a/b", "", "x;y"):
        tree = everything()
        tree["variant"][name] = {"class": "other"}
        assert not taken(tree), name


COMMANDS = re.compile(r"(?:mend: |make one: )((?:imgseal key (?:new|public)|chmod) (?!.*, and )[^\n]*)$", re.MULTILINE)
"""Commands that a user is told to run."""


class Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "b") or any(name.startswith("on") for name, _ in attrs):
            self.wrong.append(f"{tag} {attrs}")


def hostile_project(folder: Path, hostile: str) -> tuple[int, dict[str, Any]]:
    """Put the text into every key that takes it, all at once, and files where it names them; return how many."""
    tree = everything()
    count = 0
    for number, path in enumerate(texts(tree)):
        before = at(tree, path)
        value = f"{before}{hostile}{number}"
        if before.endswith((".pem", ".hex", ".bin", ".log")) and "gate" not in path:
            stem, dot, ending = before.partition(".")
            value = f"{stem}{hostile}{dot}{ending}"
        attempt = copy.deepcopy(tree)
        put(attempt, path, value)
        if not taken(attempt):
            continue
        tree, count = attempt, count + 1
        source, target = folder / before, folder / value
        if "text" not in path:
            target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_file():
            target.write_bytes(source.read_bytes())
            target.chmod(source.stat().st_mode)
    (folder / "imgseal.toml").write_text(written(tree))
    return count, tree


@pytest.mark.parametrize("kind", [*WORDS, *FOR_PEOPLE])
def test_every_command(
    imgseal: Imgseal, project: Path, tool: Callable[[str], str], kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    hostile = {**WORDS, **FOR_PEOPLE}[kind]
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(BUILD_TIME))
    for name in ("images", "packages", "apex"):
        if not (project / f"keys/{name}.pub.pem").exists():
            assert imgseal("key", "new", "--no-passphrase", f"keys/{name}.pem").status == 0
    for name in ("keys", "keys-dev"):
        for key in (project / name).glob("*.pem"):
            key.chmod(0o600)
    (project / "firmware").mkdir()
    bootloader = code("bootloader", link=0, size=3001, vectors=16, stack=0x2002_0000)
    (project / "firmware/bootloader.hex").write_bytes(b"".join(write_intel_hex([(0, bootloader)])))
    (project / "firmware/settings.bin").write_bytes(b"settings")
    count, tree = hostile_project(project, hostile)
    assert count >= (20 if kind in WORDS else 5)
    key = tree["signing"]["release"]["images"]
    printed = []
    name = tree["product"]["name"]
    package = f"out/{name}-2.4.1-17.suit"
    commands: list[tuple[tuple[str, ...], set[int]]] = [
        (("doctor", "--release"), {0, 1}),
        (("log", "new"), {0}),
        (("build", *ALL, "--release", "--revision", "abcd", "--depfile", "out/fw.d"), {0}),
        (("check", package), {0}),
        (("check", package, "--json"), {0}),
        (("check", "out/motor-a.sealed.bin"), {0}),
        (("show", package), {0}),
        (("show", "--map"), {0}),
        (("key", "show", key), {0}),
        (("key", "show", "--product", "imgseal.toml", "keys/apex.pub.pem"), {0}),
        (("compare", package, package), {0}),
        (("report", package, "--out", "report.html"), {0, 1}),
        (("report", package, "--format", "json", "--out", "report.json"), {0, 1}),
        (("device-code", "device"), {0}),
        (("log", "show"), {0}),
        (("log", "export", "0", "audit"), {0}),
        (("device", "new", "device.json"), {0}),
        (("factory", package, "--without-recovery"), {0}),
        *(
            (("gate", "out", "--format", form), {0, 1})
            for form in ("text", "json", "junit", "sarif", "github", "gitlab")
        ),
    ]
    for arguments, expected in commands:
        said = imgseal(*arguments)
        assert said.status in expected, (arguments, said)
        assert all(line.isprintable() for line in (said.out + said.err).split("\n")), arguments
        assert not re.search("^ {0,4}accepted, for every device", said.out, re.MULTILINE), arguments
        printed += COMMANDS.findall(said.out + said.err)
    for name in list(tree["signing"]["release"].values()):  # and what doctor says of keys that are gone
        (project / name).unlink()
        (project / (name.removesuffix(".pem") + ".pub.pem")).unlink(missing_ok=True)
    for arguments in (("doctor", "--release"), ("build", *ALL, "--release")):
        said = imgseal(*arguments)
        assert said.status in (1, 4), said
        printed += COMMANDS.findall(said.out + said.err)
    assert printed
    for line in printed:
        script = f"imgseal() {{ :; }}; chmod() {{ :; }}; {line}"
        done = subprocess.run(["sh", "-c", script], cwd=project, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, ""), (line, done.stderr)
    assert not list(project.rglob("owned"))
    page = Page()
    page.feed((project / "report.html").read_text())
    assert page.wrong == []
    (project / "device/all.c").write_text(
        '#include "seal_options.h"\n#include "seal_config.h"\nstatic int owned;\nint used(void);\nint used(void) { return owned; }\n'
    )
    compiler = [
        tool("gcc"),
        "-std=c99",
        "-trigraphs",
        "-fsyntax-only",
        "-Wall",
        "-Wno-unused-const-variable",
        "-Wno-unused-variable",
        "-Werror",
        "all.c",
    ]
    done = subprocess.run(compiler, cwd=project / "device", capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    tomllib.loads((project / "audit/imgseal.toml").read_text())
