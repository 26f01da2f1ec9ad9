"""`imgseal rehearse --flash` and `memory.NAME.behaves` at the command line. Source of truth: docs/cli.md."""

import json
from pathlib import Path

import jsonschema
import pytest
from workshop import ALL, Imgseal

ONE = "one/vent-drive-2.4.1-17.suit"
SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "format" / "rehearse.schema.json").read_text())


@pytest.fixture
def shipped(imgseal: Imgseal, project: Path) -> Path:
    assert imgseal("build", *ALL, "--release", "--out", "one").status == 0
    return project


def describe(project: Path, *names: str) -> None:
    """The internal memory behaves so."""
    file = project / "imgseal.toml"
    words = ", ".join(f'"{name}"' for name in names)
    text = file.read_text()
    assert text.count("program_once = true") == 1
    file.write_text(text.replace("program_once = true", f"behaves = [{words}]\nprogram_once = true"))


def test_one_behaviour(imgseal: Imgseal, shipped: Path) -> None:
    said = imgseal("rehearse", ONE, "--pairs", "5", "--flash", "ecc-faults")
    assert said.status == 0, said.out + said.err
    (line,) = [line for line in said.out.split("\n") if line.startswith("  flash ")]
    assert line.startswith("  flash      ecc-faults: ")
    assert line.endswith(" lives after one cut, 5 after two: every invariant holds")
    assert "asks: the fault comes back from the driver's read as an error" in said.out


def test_json(imgseal: Imgseal, shipped: Path) -> None:
    for options, played in (((), []), (("--flash", "sagging-supply"), ["sagging-supply"])):
        said = imgseal("rehearse", ONE, "--pairs", "5", "--json", *options)
        assert said.status == 0
        document = json.loads(said.out)
        jsonschema.validate(document, SCHEMA)
        assert [each["name"] for each in document["flash"]["played"]] == played
        assert document["flash"]["described"] == {}
    assert "brown-out detector" in document["flash"]["played"][0]["asks"]


def test_all_of_them(imgseal: Imgseal, shipped: Path) -> None:
    from imgseal.rehearse.worse import BEHAVIOURS

    said = imgseal("rehearse", ONE, "--pairs", "0", "--flash", "worst", "--json")
    assert said.status == 0
    assert [each["name"] for each in json.loads(said.out)["flash"]["played"]] == list(BEHAVIOURS)


def test_a_violation_is_shown_with_what_repeats_it(
    imgseal: Imgseal, shipped: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from imgseal.rehearse.journal import Journal

    monkeypatch.setattr(Journal, "_holds", lambda *_args: True)
    asked = ("rehearse", ONE, "--flash")
    said = imgseal(*asked, "worn-place", "--pairs", "0")
    assert said.status == 1
    assert "all 10 invariants hold" in said.out
    again = next(line for line in said.out.split("\n") if "again:" in line).split("--flash ")[1]
    case, _, token = again.split()
    assert f"BROKEN in {case}" in said.out
    repeated = imgseal(*asked, case, "--replay", token)
    assert repeated.status == 1
    assert "starts: " in repeated.out or "ends: " in repeated.out
    document = json.loads(imgseal(*asked, "worn-place", "--pairs", "0", "--json").out)
    jsonschema.validate(document, SCHEMA)
    assert (document["holds"], document["violation"]) == (False, None)
    assert document["flash"]["played"][0]["case"] == case


def test_what_is_described_is_said_and_played(imgseal: Imgseal, shipped: Path) -> None:
    describe(shipped, "uneven-blocks", "ecc-faults")
    said = imgseal("rehearse", ONE, "--pairs", "5")
    assert said.status == 0, said.out + said.err
    assert "  flash      internal is described so, and was played so: ecc-faults, uneven-blocks" in said.out
    assert "internal, uneven-blocks asks: the driver erases all of them" in said.out
    assert json.loads(imgseal("rehearse", ONE, "--pairs", "0", "--json").out)["flash"]["described"] == {
        "internal": ["ecc-faults", "uneven-blocks"]
    }
    doctor = imgseal("doctor")
    assert "memory.internal behaves so: uneven-blocks" in doctor.out
    assert "erases all of them whenever it erases the block" in " ".join(doctor.out.split())


def test_what_does_not_go_together(imgseal: Imgseal, shipped: Path) -> None:
    said = imgseal("rehearse", ONE, "--flash", "wurst")
    assert said.status == 2
    assert "did you mean worst?" in said.err
    said = imgseal("rehearse", ONE, "--cuts", "1", "--flash", "worst")
    assert said.status == 2
    assert "--flash does nothing with --cuts" in said.err
    said = imgseal("rehearse", ONE, "--flash", "worn-place:9", "--replay", "1:healthy-kept:4")
    assert said.status == 2
    assert "no device to replay on" in said.err
    describe(shipped, "page-corrupted")
    for asked in (("rehearse", ONE), ("report", ONE, "--rehearse", "--out", "report.html")):
        said = imgseal(*asked, "--cuts", "1")
        assert said.status == 2
        assert "memory.internal.behaves" in said.err


def test_other_words_are_refused(imgseal: Imgseal, project: Path) -> None:
    describe(project, "ecc-fault")
    said = imgseal("doctor")
    assert "did you mean ecc-faults?" in said.out + said.err
    assert "memory.internal.behaves" in said.out + said.err
