"""Files that leave this repository say under what terms: exported C, integration files, vectors of others."""

import json
import re
import subprocess
from pathlib import Path

import pytest
from workshop import Imgseal

ROOT = Path(__file__).parents[2]
LINES = ("SPDX-License-Identifier: MIT", "Copyright (c) 2026 the imgseal authors")
TEXT = (ROOT / "docs" / "licence.txt").read_text()


def head(path: Path) -> str:
    return "\n".join(path.read_text().split("\n")[:3])


def tracked(folder: str) -> list[Path]:
    said = subprocess.run(["git", "ls-files", folder], cwd=ROOT, capture_output=True, text=True, check=True)
    return [ROOT / name for name in said.stdout.split("\n") if name]


def test_the_lines_are_those_of_the_licence() -> None:
    assert TEXT.startswith("MIT License")
    assert LINES[1] in TEXT
    assert (ROOT / "imgseal" / "device_code" / "licence.txt").read_text() == TEXT


@pytest.mark.parametrize("development", [False, True])
def test_every_exported_file_carries_them(development: bool, imgseal: Imgseal, project: Path) -> None:
    said = imgseal("device-code", "seal", *(["--development"] if development else []))
    assert said.status == 0, said.err
    files = sorted((project / "seal").iterdir())
    assert len(files) >= 16
    for path in files:
        if path.name == "licence.txt":
            assert path.read_text() == TEXT
        else:
            assert [line for line in LINES if line not in head(path)] == [], path.name
    sources = [path for path in files if path.suffix in (".c", ".h")]
    assert {re.sub(r"\D", "", head(path).split("\n")[1]) for path in sources} == {"2026"}


def test_every_file_of_the_example_carries_them(imgseal: Imgseal, tmp_path: Path) -> None:
    said = imgseal("device-code", "--example", str(tmp_path / "port"))
    assert said.status == 0, said.err
    files = [path for path in (tmp_path / "port").iterdir() if path.is_file()]
    made = {"imgseal.toml"}  # from the demo's
    assert {path.name for path in files} == {path.name for path in tracked("imgseal/device_code/example")} | made
    assert [path.name for path in files if any(line not in head(path) for line in LINES)] == []


def test_every_integration_file_carries_them() -> None:
    files = tracked("docs/integrations")
    assert len(files) > 15
    assert [path.name for path in files if any(line not in head(path) for line in LINES)] == []


def test_every_vector_file_is_listed() -> None:
    listed = re.findall(r"^\| `([\w.-]+)` \|", (ROOT / "tests" / "vectors" / "LICENCES.md").read_text(), re.MULTILINE)
    there = {path.name for path in tracked("tests/vectors")} | {
        path.name for path in (ROOT / "tests" / "vectors").iterdir()
    }
    assert sorted(listed) == sorted(there - {"LICENCES.md"})
    for name in listed:
        if "schema" not in name:
            assert json.loads((ROOT / "tests" / "vectors" / name).read_text())["origin"], name
