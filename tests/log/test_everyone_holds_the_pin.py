"""Every command that goes by the release log holds it against its pin: a log that was cut off answers nothing."""

from pathlib import Path

import pytest
from workshop import ALL, Imgseal, tree

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
    "export": ("log", "export", "2.4.1", "audit"),
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


@pytest.mark.parametrize("asked", ["check", "factory", "paths", "export", "build"])
def test_a_log_that_is_gone(imgseal: Imgseal, kept: Path, asked: str) -> None:
    (kept / "release.log").unlink()
    said = imgseal(*ASKED[asked])
    assert said.status != 0, said.out
    assert "release.log" in said.out + said.err
