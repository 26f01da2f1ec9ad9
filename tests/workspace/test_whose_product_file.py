"""The product file decides whom to trust: which one was used is said, and one of somebody else is not used unseen.

Source of truth: docs/decisions/021-whose-product-file.md.
"""

import json
import os
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from line_tree import make_line
from workshop import ALL, Imgseal, tree

from imgseal.product.write_toml import write_toml

Give = Callable[..., None]
SOMEBODY = 4242


@pytest.fixture
def give(monkeypatch: pytest.MonkeyPatch) -> Give:
    """Return a function that makes a file or folder somebody else's: only root can really do that."""
    real = {"stat": os.stat, "lstat": os.lstat}
    theirs: dict[str, int] = {}
    if os.geteuid():
        for name, call in real.items():

            def seen(path: str, *more: object, call: object = call, **options: object) -> os.stat_result:
                status: os.stat_result = call(path, *more, **options)  # type: ignore[operator]
                if os.path.abspath(str(path)) not in theirs:
                    return status
                return os.stat_result((*status[:4], theirs[os.path.abspath(str(path))], *status[5:]))

            monkeypatch.setattr(os, name, seen)

    def make(path: Path, user: int = SOMEBODY) -> None:
        theirs[os.path.abspath(path)] = user
        if not os.geteuid():
            os.chown(path, user, user, follow_symlinks=False)

    return make


@pytest.fixture
def package(imgseal: Imgseal, project: Path) -> str:
    assert imgseal("build", *ALL, "--release").status == 0
    return "out/vent-drive-2.4.1-17.suit"


def test_the_verdict_names_the_product_file(
    imgseal: Imgseal, project: Path, package: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "\n  judged by imgseal.toml\n" in imgseal("check", package).out
    assert json.loads(imgseal("check", package, "--json").out)["product_file"] == "imgseal.toml"
    (project / "below/deep").mkdir(parents=True)
    monkeypatch.chdir(project / "below/deep")
    said = imgseal("check", f"../../{package}")
    assert "\n  judged by ../../imgseal.toml\n" in said.out
    (project / "below/deep/imgseal.toml").write_bytes((project / "imgseal.toml").read_bytes())
    said = imgseal("check", f"../../{package}", "--product", "../../imgseal.toml", "--json")
    assert json.loads(said.out)["product_file"] == "../../imgseal.toml"
    assert imgseal("check", f"../../{package}").status == 4  # the nearest one counts, and its keys are not there


COMMANDS: tuple[tuple[str, ...], ...] = (
    ("check", "{package}"),
    ("build", *(argument.replace("=", "={up}") for argument in ALL)),
    ("gate", "{up}out", "--fresh"),
    ("report", "{package}", "--out", "r.html"),
    ("show", "--map"),
    ("device-code", "device"),
)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda each: each[0])
@pytest.mark.parametrize("where", ["here", "above"])
@pytest.mark.parametrize("what", ["file", "folder", "link"])
def test_one_of_somebody_else_is_refused(
    imgseal: Imgseal, project: Path, package: str, give: Give, monkeypatch: pytest.MonkeyPatch, where: str, what: str,
    command: tuple[str, ...],
) -> None:  # fmt: skip
    up = "" if where == "here" else "../"
    if what == "link":
        (project / "imgseal.toml").rename(project / "real.toml")
        (project / "imgseal.toml").symlink_to("real.toml")
    give(project if what == "folder" else project / "imgseal.toml")
    (project / "work").mkdir()
    monkeypatch.chdir(project if where == "here" else project / "work")
    arguments = [argument.format(up=up, package=f"{up}{package}") for argument in command]
    said = imgseal(*arguments)
    assert said.status == 2, said
    assert f"{up}imgseal.toml: the nearest product file belongs to someone else" in said.err
    assert f"found: of user {SOMEBODY}" in said.err
    assert f"--product {up}imgseal.toml" in said.err
    named = imgseal(*arguments, "--product", f"{up}imgseal.toml")
    assert named.status == 0, named
    if command[0] == "check":
        assert f"judged by {up}imgseal.toml" in named.out


@pytest.mark.parametrize(
    ("mode", "owner", "status"),
    [(0o1777, "own", 2), (0o1777, "root", 2), (0o777, "root", 2), (0o777, "own", 0), (0o1775, "root", 0), (0o755, "root", 0)],
)  # fmt: skip
def test_a_folder_that_everybody_fills(
    imgseal: Imgseal, project: Path, package: str, give: Give, monkeypatch: pytest.MonkeyPatch, mode: int, owner: str,
    status: int,
) -> None:  # fmt: skip
    """A stranger adds the local file there, or a key that [trust] names and that is missing."""
    project.chmod(mode)
    if owner == "root":
        give(project, 0)
        if not os.geteuid():
            monkeypatch.setattr(os, "geteuid", lambda: SOMEBODY)
    said = imgseal("check", package)
    assert said.status == status, said
    if status:
        assert "imgseal.toml: everybody can put files beside the nearest product file" in said.err
        assert f"found: mode {mode:04o}, of user " in said.err
        assert "--product imgseal.toml" in said.err
    assert imgseal("check", package, "--product", "imgseal.toml").status == 0


def test_what_is_looked_at_only(imgseal: Imgseal, project: Path, give: Give) -> None:
    """doctor and key show say it too, and decide nothing."""
    give(project / "imgseal.toml")
    said = imgseal("doctor")
    assert (said.status, "belongs to someone else" in said.out) == (1, True)
    said = imgseal("key", "show", "keys/images.pub.pem")
    assert (said.status, "role        none known: the nearest product file belongs to someone else" in said.out) == (
        0,
        True,
    )


def share(project: Path, folder: str = "..") -> Path:
    """Move what products share into a file of its own, with the keys beside it, and return it."""
    text = (project / "imgseal.toml").read_text()
    own = tomllib.loads(text)
    common = {"format": 1, **{key: own.pop(key) for key in ("signing", "trust", "rules", "memory")}}
    file = (project / folder).resolve() / "common.toml"
    file.parent.mkdir(exist_ok=True)
    for keys in ("keys", "keys-dev"):
        (project / keys).rename(file.parent / keys)
    file.write_text(write_toml(common))
    (project / "imgseal.toml").write_text(write_toml({"include": f"{folder}/common.toml", **own}))
    return file


def test_an_included_file_gives_the_same_bytes(imgseal: Imgseal, project: Path) -> None:
    assert imgseal("build", *ALL, "--release", "--out", "alone").status == 0
    share(project, "house")
    assert imgseal("build", *ALL, "--release", "--out", "sharing", "--depfile", "fw.d").status == 0
    assert tree(project / "alone") == tree(project / "sharing")
    assert "house/common.toml" in (project / "fw.d").read_text()
    assert "house/keys/packages.pub.pem" in (project / "fw.d").read_text()


@pytest.mark.parametrize("command", COMMANDS, ids=lambda each: each[0])
@pytest.mark.parametrize("what", ["file", "folder", "link"])
def test_an_included_one_of_somebody_else_is_refused(
    imgseal: Imgseal, project: Path, package: str, give: Give, what: str, command: tuple[str, ...]
) -> None:
    """Naming the product file admits what its owner has, and nothing of anybody else."""
    common = share(project, "house")
    if what == "link":
        common.rename(project / "house/real.toml")
        common.symlink_to("real.toml")
    give(common.parent if what == "folder" else common)
    arguments = [argument.format(up="", package=package) for argument in command]
    said = imgseal(*arguments)
    assert said.status == 2, said
    assert "house/common.toml: the included file belongs to someone else" in said.err
    assert f"found: of user {SOMEBODY}" in said.err
    assert imgseal(*arguments, "--product", "imgseal.toml").status == 2
    give(project / "imgseal.toml")
    named = imgseal(*arguments, "--product", "imgseal.toml")
    assert named.status == 0, named


def test_an_included_file_where_everybody_puts_files(imgseal: Imgseal, project: Path, package: str) -> None:
    share(project, "house").parent.chmod(0o1777)
    said = imgseal("check", package)
    assert (said.status, "house/common.toml: everybody can put files beside the included file" in said.err) == (2, True)
    assert imgseal("check", package, "--product", "imgseal.toml").status == 0


def test_an_included_file_that_is_not_there(imgseal: Imgseal, project: Path, package: str) -> None:
    share(project, "house").unlink()
    said = imgseal("check", package)
    assert said.status == 3
    assert "house/common.toml: the included file is not there" in said.err
    assert "imgseal.toml names it as include" in said.err


def test_no_output_replaces_an_included_file(imgseal: Imgseal, project: Path, package: str) -> None:
    share(project, "house")
    said = imgseal("gate", "out", "--fresh", "--out", "house/common.toml", "--format", "json")
    assert (said.status, "house/common.toml" in said.err) == (2, True)


def test_an_export_holds_what_was_included(imgseal: Imgseal, project: Path) -> None:
    common = share(project, "house")
    common.write_text(common.read_text() + '\n[log]\npath = "release.log"\n')
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "5e" * 20).status == 0
    assert (project / "house/release.log").exists()
    said = imgseal("log", "export", "2.4.1", "audit")
    assert said.status == 0, said
    text = (project / "audit/imgseal.toml").read_text()
    assert "include" not in text
    assert "[memory.internal]" in text
    assert imgseal("check", "audit/vent-drive-2.4.1-17.suit", "--product", "audit/imgseal.toml").status == 0


@pytest.mark.parametrize("what", ["imgseal.toml", "vent/imgseal.toml", "vent", "common.toml"])
def test_a_line_and_its_members_are_ones_own(imgseal: Imgseal, project: Path, give: Give, what: str) -> None:
    """Naming the line's file admits what its owner has; naming a member by its product's name chooses nobody's file."""
    make_line(project)
    assert imgseal("log", "new", "--log", "vent/release.log").status == 0
    give(project / what)
    for arguments in ((), ("--product", "vent")):
        said = imgseal("check", "radio.bin", *arguments)
        assert (said.status, f"found: of user {SOMEBODY}" in said.err) == (2, True), said
    own = imgseal("check", "radio.bin", "--product", "imgseal.toml")
    assert own.status == (1 if what == "imgseal.toml" else 2)
    give(project / "imgseal.toml")
    assert imgseal("check", "radio.bin", "--product", "imgseal.toml").status == (1 if what != "common.toml" else 2)


@pytest.mark.parametrize("arguments", [(), ("--product", "vent")], ids=["line", "member"])
def test_what_members_include_lies_where_not_everybody_puts_files(
    imgseal: Imgseal, project: Path, arguments: tuple[str, ...]
) -> None:
    make_line(project)
    (project / "house").mkdir()
    (project / "common.toml").rename(project / "house/common.toml")
    for file in project.rglob("*/imgseal.toml"):
        file.write_text(file.read_text().replace("/common.toml", "/house/common.toml"))
    (project / "house").chmod(0o1777)
    said = imgseal("check", "radio.bin", *arguments)
    assert (said.status, "house/common.toml: everybody can put files beside" in said.err) == (2, True), said
    assert "--product imgseal.toml" in said.err or "--product vent/imgseal.toml" in said.err
