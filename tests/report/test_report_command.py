"""`imgseal report` and `imgseal show --map` at the command line. Sources of truth: docs/cli.md, docs/report.md."""

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource
from workshop import ALL, Imgseal, tree

FORMAT = Path(__file__).parents[2] / "docs" / "format"
VERDICT = Resource.from_contents(json.loads((FORMAT / "verdict.schema.json").read_text()))
PATHS = Resource.from_contents(json.loads((FORMAT / "paths.schema.json").read_text()))
CUTS = Resource.from_contents(json.loads((FORMAT / "cuts.schema.json").read_text()))
CHECKER = Draft202012Validator(
    json.loads((FORMAT / "report.schema.json").read_text()),
    registry=Registry().with_resources(
        [("verdict.schema.json", VERDICT), ("paths.schema.json", PATHS), ("cuts.schema.json", CUTS)]
    ),
)
NAME = "out/vent-drive-2.4.1-17.suit"
OLD = ("--set", "release.version=2.4.0", "--set", "release.sequence=16", "--set", "component.motor.counter=5")


@pytest.fixture
def built(imgseal: Imgseal, project: Path) -> Path:
    assert imgseal("build", *ALL, "--release", *OLD, "--out", "old").status == 0
    assert imgseal("build", *ALL, "--release").status == 0
    return project


def document(imgseal: Imgseal, *arguments: str, status: int = 0) -> Any:
    said = imgseal("report", *arguments, "--format", "json", "--out", "report.json")
    assert said.status == status, said.err
    read = json.loads(Path("report.json").read_text())
    assert [error.message for error in CHECKER.iter_errors(read)] == []
    return read


def test_a_page(imgseal: Imgseal, built: Path) -> None:
    before = tree(built)
    said = imgseal("report", NAME, "--out", "report.html")
    assert (said.status, said.out, said.err) == (0, "accepted, for a fresh device: report.html\n", "")
    page = (built / "report.html").read_text()
    assert page.startswith("<!DOCTYPE html>")
    assert 'class="answer">Accepted' in page
    assert len(page) < 300_000
    assert tree(built) == {**before, "report.html": page.encode()}


@pytest.mark.parametrize("development", [False, True])
@pytest.mark.parametrize("device", [None, "unit.json"])
@pytest.mark.parametrize("log", [False, True])
def test_the_verdict_is_that_of_check(
    imgseal: Imgseal, project: Path, development: bool, device: str | None, log: bool
) -> None:
    """All of it: for which device, by which bootloaders in the field, and where that is known from."""
    if log:
        with (project / "imgseal.toml").open("a") as file:
            file.write('\n[log]\npath = "release.log"\n')
        assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "abcd").status == 0
    assert imgseal("device", "new", "unit.json").status == 0
    options = [*(["--development"] if development else []), *(["--device", device] if device else [])]
    checked = json.loads(imgseal("check", NAME, *options, "--json").out)["verdicts"][0]
    by = {
        key: checked.pop(key) for key in ("product_file", "variant", "channel")
    }  # a report is by one product from the start
    assert by == {"product_file": "imgseal.toml", "variant": None, "channel": None}
    assert document(imgseal, NAME, *options, status=checked["verdict"] != "accepted")["verdict"] == checked


def test_the_same_page_from_the_same_input(imgseal: Imgseal, built: Path) -> None:
    """SOURCE_DATE_EPOCH names the day, as in every other output."""
    pages = []
    for name in ("one.html", "two.html"):
        assert imgseal("report", NAME, "--as-of", "2027-01-31", "--out", name).status == 0
        pages.append((built / name).read_bytes())
    assert pages[0] == pages[1]
    assert b", 2025-11-25." in pages[0]


def test_refused_packages_are_reported_all_the_same(imgseal: Imgseal, built: Path) -> None:
    data = (built / NAME).read_bytes()
    (built / "bad.suit").write_bytes(data[:-1])
    found = document(imgseal, "bad.suit", status=1)
    assert found["verdict"]["verdict"] == "refused"
    assert found["verdict"]["first_finding"] == "structure.envelope"
    assert imgseal("report", "bad.suit", "--rehearse", "--out", "bad.html").status == 1
    assert "Refused" in (built / "bad.html").read_text()


def test_previous_compares_and_judges_for_its_devices(imgseal: Imgseal, built: Path) -> None:
    old = "old/vent-drive-2.4.0-16.suit"
    found = document(imgseal, NAME, "--previous", old)
    assert found["verdict"]["device"] == f"a device with the numbers of {old} (sequence 16)"
    assert found["comparison"]["old"] == old
    found = document(imgseal, old, "--previous", NAME, status=1)
    assert found["verdict"]["first_finding"] == "rollback.sequence-too-low"


def test_a_device(imgseal: Imgseal, built: Path) -> None:
    """What its slots hold is on the map, and what the package brings beside it: here the same bytes."""
    assert imgseal("device", "new", "new.json", "--hardware", "3").status == 0
    old = "old/vent-drive-2.4.0-16.suit"
    assert imgseal("device", "apply", "new.json", old, "--out", "unit.json").status == 0
    radio = ("radio=radio.bin@0xC0400", "--release", "--set", "release.sequence=18", "--out", "radio")
    assert imgseal("build", *radio).status == 0
    found = document(imgseal, "radio/vent-drive-2.4.1-18.suit", "--device", "unit.json")
    assert found["verdict"]["device"] == "unit.json"
    assert [c["counter_before"] for c in found["components"] if c["name"] == "motor"] == [5]
    ranges = [part for memory in found["memories"] for part in memory["ranges"]]
    there = "radio 1.3.2"
    seen = {
        part["slot"]: (
            part["holds"] and part["holds"]["words"],
            part["brings"] and part["brings"]["words"],
            part["new"],
        )
        for part in ranges
        if part["holds"] or part["brings"]
    }
    assert seen == {
        "motor-a": ("motor 2.4.0", None, False), "radio-staging": (there, None, False), "radio": (there, there, False),
        "phrases": ("phrases 1.0.4", None, False),
    }  # fmt: skip


def test_a_rehearsal(imgseal: Imgseal, built: Path) -> None:
    found = document(imgseal, NAME, "--previous", "old/vent-drive-2.4.0-16.suit", "--rehearse")
    assert found["rehearsal"]["holds"] is True
    assert found["rehearsal"]["device"] == "a device that runs old/vent-drive-2.4.0-16.suit"
    seen = {each["id"]: each["answer"] for each in found["evidence"]["observations"]}
    assert (seen["rehearsal"], seen["changes"]) == ("shown", "shown")


def test_bill_of_materials_and_log(imgseal: Imgseal, built: Path) -> None:
    path = built / "imgseal.toml"
    path.write_text(path.read_text() + '\n[log]\npath = "release.log"\n')
    said = imgseal("report", NAME, "--format", "json", "--out", "r.json")
    assert (said.status, "the release log is not there" in said.err, (built / "r.json").exists()) == (2, True, False)
    (built / "bom.json").write_text('{"spdxVersion": "SPDX-2.3"}')
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "abcd", "--sbom", "bom.json").status == 0
    found = document(imgseal, NAME)
    assert str(found["package"]["log"]).startswith("entry 0 of release.log, head 1:")
    assert found["package"]["sbom"]["kind"] == "SPDX"
    seen = {each["id"]: each["answer"] for each in found["evidence"]["observations"]}
    assert (seen["sbom"], seen["log"]) == ("shown", "shown")


MISTAKES = [
    ((NAME,), 2, "--out"),
    ((NAME, "--out", NAME), 2, "an output would overwrite"),
    ((NAME, "--out", "imgseal.toml"), 2, "an output would overwrite"),
    (("nothing.suit", "--out", "r.html"), 3, "cannot read this artefact"),
    ((NAME, "--previous", "out/radio.sealed.bin", "--out", "r.html"), 3, "is it an update package"),
    ((NAME, "--device", "nothing.json", "--out", "r.html"), 3, "cannot read this device state file"),
    ((NAME, "--as-of", "someday", "--out", "r.html"), 2, "this is no day"),
    ((NAME, "--format", "doc", "--out", "r.html"), 2, "doc"),
]


@pytest.mark.parametrize(("arguments", "status", "words"), MISTAKES, ids=[str(n) for n in range(len(MISTAKES))])
def test_mistakes_leave_nothing_behind(
    imgseal: Imgseal, built: Path, arguments: tuple[str, ...], status: int, words: str
) -> None:
    before = tree(built)
    said = imgseal("report", *arguments)
    assert said.status == status, said.err
    assert words in said.err
    assert tree(built) == before


def test_a_pdf_is_printed_from_the_page(imgseal: Imgseal, built: Path) -> None:
    said = imgseal("report", NAME, "--format", "pdf", "--out", "r.pdf")
    assert said.status == 2
    assert "'pdf' is not one of 'html', 'json'" in said.err
    assert not (built / "r.pdf").exists()
    assert "[html|json]" in imgseal("report", "--help").out


def test_map(imgseal: Imgseal, built: Path) -> None:
    said = imgseal("show", "--map")
    assert said.status == 0
    assert "0x00020000    320 KiB  motor-a" in said.out
    assert "#" not in said.out
    said = imgseal("show", "--map", NAME)
    assert said.out.count("new: ") == 4
    assert "new: radio 1.3.2, " in said.out
    assert imgseal("show", "--map", "--json").status == 2
    assert imgseal("show", "--map", "out/radio.sealed.bin").status == 3


@pytest.mark.parametrize(
    ("artefact", "found", "hint"),
    [
        ("out/radio.sealed.bin", "a sealed image", "imgseal check out/radio.sealed.bin judges it"),
        ("firmware/radio.hex", "neither sealed nor packed", "imgseal build makes a package"),
    ],
)
def test_a_report_is_about_a_package(imgseal: Imgseal, project: Path, artefact: str, found: str, hint: str) -> None:
    """A page about anything else would say little, and look as if it said all."""
    imgseal("build", *ALL, "--release")
    (project / "firmware").mkdir()
    (project / "firmware/radio.hex").write_text(":00000001FF\n")
    said = imgseal("report", artefact, "--out", "page.html")
    assert said.status == 2
    assert f"{artefact}: a report is about an update package" in said.err
    assert found in said.err
    assert hint in said.err
    assert not (project / "page.html").exists()


def test_a_name_that_is_no_utf_8(imgseal: Imgseal, built: Path) -> None:
    """JSON is ASCII: a name may be of any bytes, and one that turns the line around turns none."""
    for name in ("bad\udcff.suit", "bad\u202e.suit"):
        (built / name).write_bytes((built / NAME).read_bytes())
        for form in ("json", "html"):
            said = imgseal("report", name, "--format", form, "--out", f"r.{form}")
            assert said.status == 0, said.err
            assert said.out == f"accepted, for a fresh device: r.{form}\n"
        said = imgseal("report", NAME, "--out", name)
        assert said.out == f"accepted, for a fresh device: bad\\u{{{ord(name[3]):x}}}.suit\n"
        written = (built / "r.json").read_bytes()
        assert written.isascii()
        assert json.loads(written)["package"]["name"] == name
        assert f"bad\\u{{{ord(name[3]):x}}}.suit" in (built / "r.html").read_text()


def test_a_rehearsal_that_cannot_be_played_is_said(imgseal: Imgseal, built: Path) -> None:
    """The report is written all the same; what was asked for and not shown is no success."""
    (built / "bad.suit").write_bytes((built / NAME).read_bytes()[:-1])
    found = document(imgseal, "bad.suit", "--rehearse", status=1)
    assert (found["rehearsal"], found["not_rehearsed"]) == (None, "the package is refused")
    path = built / "imgseal.toml"
    path.write_text(path.read_text().replace('holds = "records"\n', ""))
    assert document(imgseal, NAME)["not_rehearsed"] == "not asked for: --rehearse"
    found = document(imgseal, NAME, "--rehearse", status=1)
    assert found["verdict"]["verdict"] == "accepted"
    assert found["not_rehearsed"] == "imgseal.toml: the product file has no slot for install records"
    said = imgseal("report", NAME, "--rehearse", "--out", "r.html")
    assert said.err == "not rehearsed: imgseal.toml: the product file has no slot for install records\n"
    assert "Not rehearsed: <bdi>imgseal.toml: the product file has no slot" in (built / "r.html").read_text()


def test_a_rehearsal_on_what_was_refused_before(imgseal: Imgseal, built: Path) -> None:
    """A device that would have refused the release before is none to rehearse on."""
    old = "old/vent-drive-2.4.0-16.suit"
    data = bytearray((built / old).read_bytes())
    data[-1] ^= 1
    (built / "old.suit").write_bytes(data)
    found = document(imgseal, NAME, "--previous", "old.suit", "--rehearse", status=1)
    assert found["rehearsal"] is None
    assert found["not_rehearsed"].startswith("old.suit: the device refuses this update package: digest.image")


def test_every_sequence_of_cuts(imgseal: Imgseal, built: Path) -> None:
    """None but the undisturbed run, which is quick; --cuts alone does nothing."""
    arguments = ("report", NAME, "--previous", "old/vent-drive-2.4.0-16.suit", "--out", "r.json", "--format", "json")
    assert imgseal(*arguments, "--cuts", "0").status == 2
    assert imgseal(*arguments, "--rehearse", "--cuts", "few").status == 2
    said = imgseal(*arguments, "--rehearse", "--cuts", "0")
    assert said.status == 0, said.err
    made = json.loads((built / "r.json").read_text())
    CHECKER.validate(made)
    assert made["explored"]["holds"]
    assert [each["cuts"] for each in made["explored"]["explored"]] == [0, 0]
