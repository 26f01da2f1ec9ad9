"""What README and tutorial show is what happens."""

import re
from pathlib import Path

import pytest
from workshop import Imgseal

ROOT = Path(__file__).parents[2]


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


def test_first_paragraph_states_the_job() -> None:
    first = (ROOT / "README.md").read_text().split("\n\n")[1]
    assert "signed, not encrypted" in first
    assert "SUIT" in first


def test_tutorial_commands_run(imgseal: Imgseal, folder: Path) -> None:
    """Every `imgseal` line of the tutorial, in order, with firmware linked as step 3 prints."""
    from imgseal.demo.firmware import code
    from imgseal.source.intel_hex_writer import write_intel_hex

    blocks = re.findall(r"```sh\n(.+?)\n```", (ROOT / "docs" / "tutorial.md").read_text(), re.DOTALL)
    lines = [line for block in blocks for line in block.split("\n")]
    assert len(lines) >= 10
    for line in lines:
        if "app-a.hex" in line and not (folder / "app-a.hex").exists():
            regions = imgseal("show", "--linker").out
            for name, origin in zip("ab", re.findall(r"ORIGIN = (0x0801\w+|0x0804\w+)", regions), strict=True):
                link = int(origin, 16)
                data = code(f"app {name}", link=link, size=3000, vectors=64, stack=0x2001_0000)
                (folder / f"app-{name}.hex").write_bytes(b"".join(write_intel_hex([(link, data)])))
        program, *arguments = line.split()
        assert program == "imgseal"
        said = imgseal(*arguments)
        assert said.status == 0, f"{line}\n{said.err}"
