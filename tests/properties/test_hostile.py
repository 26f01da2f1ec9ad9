"""Hostile artefacts: an answer for each, never a traceback. `python tests/properties/hostile.py` prints time and memory."""

import json
from pathlib import Path

import pytest
from hostile import cases
from workshop import Imgseal

CASES = {name: data for name, data in cases() if len(data) < 20 << 20}


@pytest.mark.parametrize("name", list(CASES))
def test_an_answer_and_no_traceback(imgseal: Imgseal, project: Path, name: str) -> None:
    (project / "artefact").write_bytes(CASES[name])
    said = imgseal("check", "artefact", "--json")
    if said.status == 3:
        assert "hint" in said.err or "expected" in said.err
        return
    document = json.loads(said.out)["verdicts"][0]
    assert (said.status, document["verdict"]) in ((0, "accepted"), (1, "refused"))
    assert document["verdict"] == "accepted" or document["first_finding"]


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("sequences in sequences, signed", "structure.manifest"),
        ("9 levels of sequences, signed", "structure.manifest"),
        ("commands that multiply, signed", "rules.limits"),
        ("array of 60,000 items", "structure.envelope"),
        ("sealed size of 4 GiB", "structure.truncated"),
    ],
)
def test_limits_are_named(imgseal: Imgseal, project: Path, name: str, code: str) -> None:
    (project / "artefact").write_bytes(CASES[name])
    said = imgseal("check", "artefact", "--json")
    assert json.loads(said.out)["verdicts"][0]["first_finding"] == code


def test_show_copes_as_well(imgseal: Imgseal, project: Path) -> None:
    """`show` reads what nobody has signed."""
    for name, data in CASES.items():
        (project / "artefact").write_bytes(data)
        assert imgseal("show", "artefact").status in (0, 2, 3), name


def test_numbers_of_thousands_of_digits(imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python refuses to convert them with an error of its own; here they are refused by name."""
    digits = "9" * 5000
    assert imgseal("check", "radio.bin", "--set", f"release.sequence={digits}").status == 2
    assert imgseal("seal", f"radio.bin@{digits}", "--component", "radio").status == 2
    text = (project / "imgseal.toml").read_text()
    for edit in (
        ("sequence = 17", f"sequence = {digits}"),
        ('"320 KiB"', f'"{digits} KiB"'),
        ('"2..4"', f'"2..{digits}"'),
    ):
        (project / "imgseal.toml").write_text(text.replace(*edit))
        assert imgseal("check", "radio.bin").status == 2
    (project / "imgseal.toml").write_text(text)
    (project / "device.json").write_text(f'{{"format": 1, "hardware": {digits}}}')
    assert imgseal("check", "radio.bin", "--device", "device.json").status == 2
    (project / "device.json").write_text(
        f'{{"format": 1, "hardware": 1, "sequence": 1, "counters": {{"{digits}": 1}}}}'
    )
    assert imgseal("check", "radio.bin", "--device", "device.json").status == 2
    monkeypatch.setenv("SOURCE_DATE_EPOCH", digits)
    assert imgseal("seal", "radio.bin@0xC0400", "--component", "radio").status == 2
