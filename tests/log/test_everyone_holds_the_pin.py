"""Every command that goes by the release log holds it against its pin: a log that was cut off answers nothing."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from workshop import ALL, Imgseal, tree

from imgseal.formats.log.lines import Step
from imgseal.workspace import release_log, verified_log
from imgseal.workspace.append import append_line
from imgseal.workspace.log_file import LogFile

LOG = '\n[log]\npath = "release.log"\npin = "release.head"\n'
ONE, TWO = "2.4.1/vent-drive-2.4.1-1.suit", "2.4.2/vent-drive-2.4.2-2.suit"
ASKED = {
    "check": ("check", TWO),
    "gate": ("gate", "2.4.2"),
    "gate of first devices": ("gate", "2.4.2", "--fresh"),
    "report": ("report", TWO, "--out", "page.html"),
    "factory": ("factory", TWO, "--without-recovery"),
    "factory of an older one": ("factory", ONE, "--without-recovery"),
    "rehearse": ("rehearse", TWO, "--previous", ONE, "--pairs", "0"),
    "paths": ("paths", TWO, "--nobody-behind"),
    "gate of those before": ("gate", "2.4.2", "--previous", ONE),
    "gate of a device": ("gate", TWO, "--device", "unit.json"),
    "check of a device": ("check", TWO, "--device", "unit.json"),
    "report of those before": ("report", TWO, "--previous", ONE, "--format", "json", "--out", "report.json"),
    "apply": ("device", "apply", "unit.json", TWO, "--out", "next.json"),
    "verify": ("log", "verify"),
    "show": ("log", "show"),
    "prove": ("log", "prove", "2.4.1"),
    "withdraw": ("log", "withdraw", "2.4.1", "--why", "a test"),
    "export": ("log", "export", "2.4.1", "audit", "--package", ONE),
    "build": ("build", *ALL, "--release", "--revision", "ab", "--set", "release.version=2.4.3", "--out", "x"),
}


@pytest.fixture
def kept(project: Path, imgseal: Imgseal) -> Path:
    """A log of two releases, and its pin."""
    path = project / "imgseal.toml"
    path.write_text(path.read_text().replace("sequence = 17", 'sequence = "next"') + LOG)
    assert imgseal("log", "new").status == 0
    for version in ("2.4.1", "2.4.2"):
        numbers = ("--set", f"release.version={version}", "--revision", "abcd", "--out", version)
        said = imgseal("build", *ALL, "--release", *numbers)
        assert said.status == 0, said.err
    assert imgseal("log", "pin").status == 0
    assert imgseal("device", "new", "unit.json").status == 0
    return project


@pytest.mark.parametrize("asked", ASKED)
@pytest.mark.parametrize("loss", ["emptied", "cut"])
def test_a_log_below_its_pin_answers_nothing(imgseal: Imgseal, kept: Path, asked: str, loss: str) -> None:
    whole = (kept / "release.log").read_bytes()
    (kept / "release.log").write_bytes(b"" if loss == "emptied" else whole[: whole.index(b"\n") + 1])
    before = tree(kept)
    said = imgseal(*ASKED[asked])
    assert (said.status, "shorter than it was" in said.err) == (1, True), said.out + said.err
    assert tree(kept) == before


@pytest.mark.parametrize("asked", ASKED)
def test_a_log_that_is_gone(imgseal: Imgseal, kept: Path, asked: str) -> None:
    """It may have been moved, or not be fetched: nothing says what devices have, and nobody is told that all is well."""
    (kept / "release.log").unlink()
    before = tree(kept)
    said = imgseal(*ASKED[asked])
    assert (said.status, said.out, tree(kept)) == (2, "", before), said.out + said.err
    assert (
        "release.log, log.path: the release log is not there\n  expected: the log that imgseal.toml states\n"
        in said.err
    )
    assert "imgseal log new begins one, where nothing was released" in said.err


@pytest.mark.parametrize("asked", ASKED)
def test_the_log_is_read_once(imgseal: Imgseal, kept: Path, asked: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """From its first line, that is: all answers of a command are of one log, and a long one costs what it has to."""
    read: list[str] = []
    of_all, walked = verified_log._read, LogFile.walk

    def counted(path: str) -> verified_log.VerifiedLog:
        read.append(path)
        return of_all(path)

    def walk(log: LogFile) -> Iterator[Step]:
        read.append(log.path)
        return walked(log)

    monkeypatch.setattr(verified_log, "_read", counted)
    monkeypatch.setattr(LogFile, "walk", walk)
    said = imgseal(*ASKED[asked])
    assert said.status == REFUSED.get(asked, 0), said.out + said.err
    assert read == ["release.log"]


REFUSED = {"factory of an older one": 1, "factory": 3}
"""What is refused with the whole log as well: an older release; there is no bootloader."""


def test_a_log_that_grows_meanwhile_is_read_again(
    imgseal: Imgseal, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A release that finds its number taken begins again, with the log as it is then."""
    add, others = append_line, list[int]()

    def first_the_others(*arguments: Any) -> object:
        if not others:
            others.append(1)
            numbers = ("--set", "release.version=2.4.3", "--revision", "abcd", "--out", "others")
            assert imgseal("build", *ALL, "--release", *numbers).status == 0
        return add(*arguments)

    monkeypatch.setattr(release_log, "append_line", first_the_others)
    numbers = ("--set", "release.version=2.4.4", "--revision", "abcd", "--out", "mine")
    said = imgseal("build", *ALL, "--release", *numbers)
    assert (said.status, "mine/vent-drive-2.4.4-4.suit" in said.out) == (0, True), said.err
    assert "4 entries hold" in imgseal("log", "verify").out
