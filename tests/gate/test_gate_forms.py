"""Each form of the gate's report is the one that its name says: what a build server reads first of it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from gate_tree import as_hex, settings
from workshop import Imgseal, write_project

from imgseal.product.starter import product_text


def is_sarif(text: str) -> bool:
    """SARIF 2.1.0 section 3.13: version and runs."""
    value: Any = json.loads(text)
    return bool(value["version"] == "2.1.0" and value["runs"][0]["results"])


def is_gitlab(text: str) -> bool:
    """A list of issues with a fingerprint each (code quality, from memory)."""
    value: Any = json.loads(text)
    return isinstance(value, list) and all(each["fingerprint"] for each in value) and bool(value)


FORMS: dict[str, Callable[[str], bool]] = {
    "text": lambda text: (
        text.splitlines()[0] != "" and "gate.not-sealed" in text and not text.startswith(("{", "[", "<", "::"))
    ),
    "json": lambda text: [each["findings"][0]["code"] for each in json.loads(text)["artefacts"]] == ["gate.not-sealed"],
    "junit": lambda text: text.startswith("<?xml") and "<testsuite" in text and "gate.not-sealed" in text,
    "sarif": is_sarif,
    "github": lambda text: text.startswith("::error") and "gate.not-sealed" in text,
    "gitlab": is_gitlab,
}


@pytest.mark.parametrize("form", FORMS)
def test_form(imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str) -> None:
    write_project(tmp_path, settings(product_text()).replace('[log]\npath = "release.log"\n', ""))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "spare.hex").write_bytes(as_hex(0x20400, bytes(range(200))))
    said = imgseal("gate", "out", "--fresh", "--jobs", "1", "--format", form)
    assert said.status == 1
    assert [name for name, fits in FORMS.items() if name == form and fits(said.out)] == [form], said.out
