"""What README and tutorial show is what happens."""

import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from new_project import write_command
from workshop import Imgseal

from imgseal.findings import CODES

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "docs" / "integrations" / "firmware"
NAMES = ("app.c", "sections.ld", "app-a.ld", "app-b.ld")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("IMGSEAL_PASSPHRASE", "only for the test")
    return tmp_path


def test_readme_shows_the_demo_as_it_runs(imgseal: Imgseal, folder: Path) -> None:
    shown = re.findall(r"```text\n(.+?)\n```", (ROOT / "README.md").read_text(), re.DOTALL)
    said = imgseal("demo")
    assert said.status == 0, said.err
    assert [block.split("\n") for block in shown] == [said.out.rstrip().split("\n")]
    refusals = [line for line in said.out.splitlines() if line.split()[-1:] and line.split()[-1] in CODES]
    assert len(refusals) == 15
    assert "an emergency stop must not depend on firmware" in said.out
    assert os.getcwd() == str(folder)
    assert imgseal("demo").status == 2


def test_first_paragraph_states_the_job() -> None:
    first = (ROOT / "README.md").read_text().split("\n\n")[1]
    assert "signed, not encrypted" in first
    assert "SUIT" in first


TUTORIAL = ROOT / "docs" / "tutorial.md"


def test_tutorial_runs_line_by_line(tool: Callable[[str], str], tmp_path: Path) -> None:
    """Every command of the tutorial by one shell, with the files it shows; what it shows as output is said."""
    tool("arm-none-eabi-gcc")
    text = TUTORIAL.read_text()
    log = tmp_path / "calls"
    write_command(tmp_path, log)
    script, shown = ["set -eu"], []
    files = iter(NAMES)
    for language, block in re.findall(r"```(\w+)\n(.+?)\n```", text, re.DOTALL):
        if language == "sh":
            script.append(block)
        elif language == "text":
            shown.append(block)
        elif language in ("c", "ld"):
            script.append(f"cat >{next(files)} <<'END'\n{block}\nEND")
    environment = {"PATH": f"{tmp_path}:{os.environ['PATH']}", "IMGSEAL_PASSPHRASE": "only for the test"}
    said = subprocess.run(
        ["sh"], input="\n".join(script), cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    assert said.returncode == 0, said.stderr
    written = [line for block in script for line in block.split("\n") if line.startswith("imgseal ")]
    assert log.read_text().splitlines() == [line.removeprefix("imgseal ") for line in written]
    assert len(written) >= 14
    for block in shown:
        assert block in said.stdout
    printed = dict.fromkeys(re.findall(r"FLASH .+", said.stdout))  # by show, and again by doctor
    for slot, regions in zip(("app-a", "app-b"), printed, strict=True):
        assert regions in (FIRMWARE / f"{slot}.ld").read_text()


def test_tutorial_shows_the_firmware_of_the_integrations() -> None:
    shown = re.findall(r"```(?:c|ld)\n(.+?)```", TUTORIAL.read_text(), re.DOTALL)
    # but for the two lines of the licence
    assert shown == [(FIRMWARE / name).read_text().split("\n", 2)[2] for name in NAMES]
    assert sorted(NAMES) == sorted(path.name for path in FIRMWARE.iterdir())
