"""`imgseal paths`: words, JSON and exit status, for each answer that there is."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from line_tree import firmware, make_line
from referencing import Registry, Resource
from test_sign import add_key
from workshop import ALL, Imgseal

from imgseal.formats.log.entry import Entry, Logged
from imgseal.paths.fit import Maker
from imgseal.paths.history import History
from imgseal.paths.survey import Store, asked_about, survey
from imgseal.paths.text import survey_document
from imgseal.workspace.archive import Archive
from imgseal.workspace.log_file import LogFile
from imgseal.workspace.packages import load_package
from imgseal.workspace.project import Project

FORMAT = Path(__file__).parents[2] / "docs" / "format"
SCHEMA = json.loads((FORMAT / "paths.schema.json").read_text())
VERDICT = Resource.from_contents(json.loads((FORMAT / "verdict.schema.json").read_text()))
CHECKER = Draft202012Validator(SCHEMA, registry=Registry().with_resource("verdict.schema.json", VERDICT))
MOTOR, RADIO, PHRASES = ALL[:2], ALL[2], ALL[3]
LAST = "out-19/vent-drive-2.4.3-19.suit"


def edit(before: str, after: str) -> None:
    path = Path("imgseal.toml")
    assert before in path.read_text()
    path.write_text(path.read_text().replace(before, after))


def release(imgseal: Imgseal, sequence: int, *files: str, status: int = 0) -> str:
    numbers = ("--set", f"release.sequence={sequence}", "--set", f"release.version=2.4.{sequence - 16}")
    out = ("--release", "--revision", "ab" * 20, "--out", f"out-{sequence}")
    said = imgseal("build", *(files or ALL), *numbers, *out)
    assert said.status == status, said.err
    return said.err


@pytest.fixture
def hotfix(imgseal: Imgseal, project: Path) -> Path:
    """2.4.0 and 2.4.1 bring everything, 2.4.2 a radio, 2.4.3 a motor that needs that radio."""
    (project / "imgseal.toml").write_text((project / "imgseal.toml").read_text() + '\n[log]\npath = "release.log"\n')
    (project / "release.log").touch()
    release(imgseal, 16)
    release(imgseal, 17)
    edit('version = "1.3.2"\ncounter = 3', 'version = "1.3.3"\ncounter = 3')
    release(imgseal, 18, RADIO)
    edit('radio = ">=1.3.0', 'radio = ">=1.3.3')
    release(imgseal, 19, *MOTOR)
    return project


def rows(imgseal: Imgseal, *arguments: str, status: int = 0) -> dict[str, dict[str, Any]]:
    said = imgseal("paths", *arguments, "--json")
    assert said.status == status, said.err
    document = json.loads(said.out)
    assert [f"{error.json_path}: {error.message[:200]}" for error in CHECKER.iter_errors(document)] == []
    return {row["version"]: row for row in document["releases"]}


def test_the_schema_is_one_and_names_every_key() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    row = SCHEMA["properties"]["releases"]["items"]
    for each in (SCHEMA, SCHEMA["$defs"]["release"], row, row["properties"]["cost"]):
        assert set(each["required"]) == set(each["properties"])


def test_a_device_takes_the_build_for_its_free_slot(hotfix: Path) -> None:
    """Where nobody says which one it takes; the radio has one slot, and gets what is there for it."""
    history = History([step.entry for step in LogFile("release.log").walk()])
    first, later = history.releases[0], history.releases[-1]
    ran, came = [], []
    for device in history.first_devices(first):
        ran.append(dict(device.images)[1].slot)
        after = dict(history.after(device, later, None).images)
        came.append(after[1].slot)
        assert after[2] == dict(device.images)[2]
    assert (ran, came) == (["motor-a", "motor-b"], ["motor-b", "motor-a"])


def test_through_a_release_in_between(imgseal: Imgseal, hotfix: Path) -> None:
    """What is in between is found below the archive, and its bytes, erases and seconds count as well."""
    found = rows(imgseal, LAST, "--archive", ".", "--nobody-behind")
    assert {version: row["answer"] for version, row in found.items()} == {
        "2.4.0": "through", "2.4.1": "through", "2.4.2": "direct", "2.4.3": "runs",
    }  # fmt: skip
    first, last = found["2.4.0"], found["2.4.2"]
    assert [step["version"] for step in first["through"]] == ["2.4.2"]
    assert [(why["reason"], why["finding"]["code"]) for why in first["why"]] == [("needs", "rules.requirement-not-met")]
    assert first["why"][0]["finding"]["found"] == "radio 1.3.2"
    sizes = [(hotfix / name).stat().st_size for name in ("out-18/vent-drive-2.4.2-18.suit", LAST)]
    assert (first["cost"]["bytes"], last["cost"]["bytes"]) == (sum(sizes), sizes[1])
    assert first["cost"]["erases"] > last["cost"]["erases"] > 80  # a whole motor slot
    assert first["cost"]["seconds"][0] > last["cost"]["seconds"][0] > 1
    text = imgseal("paths", LAST, "--archive", ".").out
    assert "2.4.1 (sequence 17)     takes it through releases in between: 2.4.2: " in text
    assert "why       needs: this image does not run beside the radio of the resulting set" in text
    assert "nobody is left behind" in text


def test_a_release_for_fewer_hardware_revisions(imgseal: Imgseal, hotfix: Path) -> None:
    """Devices of the others stay where they are: build and check say so of every such release, and paths lists them."""
    left = "not for devices of hardware revision 2, which are in the field"
    assert left not in imgseal("check", LAST).out
    edit('hardware = "2..4"', 'hardware = "3..4"')
    assert f"{left} (entry 0 of release.log)" in release(imgseal, 20)
    assert f"{left} (entry 4 of release.log): they stay with what they have" in release(imgseal, 21)
    newest = "out-21/vent-drive-2.4.5-21.suit"
    (verdict,) = json.loads(imgseal("check", newest, "--json").out)["verdicts"]
    assert (verdict["verdict"], verdict["layout"]["hardware"]) == ("accepted", [2, 4])
    assert f"  note      {left} (entry 4 of release.log)" in imgseal("check", newest).out
    assert left not in imgseal("check", LAST).out
    assert left not in imgseal("build", *ALL).err
    found: dict[str, list[tuple[str, str]]] = {}
    for row in json.loads(imgseal("paths", newest, "--archive", ".", "--json").out)["releases"]:
        revision = (row["devices"] or "").partition("hardware revision ")[2]
        found.setdefault(row["version"], []).append((row["answer"], revision))
        assert [why["reason"] for why in row["why"]] == (["hardware"] if row["answer"] == "blocked" else [])
    older = [("blocked", "2"), ("direct", "3 to 4")]
    assert found == {
        **dict.fromkeys(("2.4.0", "2.4.1", "2.4.2", "2.4.3"), older),
        "2.4.4": [("direct", "")],
        "2.4.5": [("runs", "")],
    }
    text = imgseal("paths", newest, "--archive", ".").out
    assert "why       hardware: made for other hardware revisions (expected revision 2, found revisions 3 to 4)" in text
    assert "left behind: devices of 2.4.0, 2.4.1, 2.4.2, 2.4.3" in text
    edit('hardware = "3..4"', 'hardware = "2..4"')
    assert left not in release(imgseal, 22)
    wide = {v: row["answer"] for v, row in rows(imgseal, "out-22/vent-drive-2.4.6-22.suit").items()}
    assert wide == {**dict.fromkeys([f"2.4.{n}" for n in range(6)], "direct"), "2.4.6": "runs"}


def test_a_variant_for_fewer_hardware_revisions_leaves_nobody(imgseal: Imgseal, hotfix: Path) -> None:
    """Of other devices than those of the variant nothing is said: they have releases of their own."""
    with Path("imgseal.toml").open("a") as file:
        file.write('\n[variant.north]\nhardware = "3..4"\n')
    assert "in the field" not in release(imgseal, 20, *ALL, "--variant", "north")
    for variant in ((), ("--variant", "north")):
        assert "hardware revision" not in imgseal("check", "out-20/vent-drive-north-2.4.4-20.suit", *variant).out
    edit('[variant.north]\nhardware = "3..4"', "[variant.north]\nhardware = 4")
    assert "not for devices of hardware revision 3, which" in release(imgseal, 21, *ALL, "--variant", "north")


def test_through_two_releases_in_between(imgseal: Imgseal, hotfix: Path) -> None:
    """A motor that needs a radio that needs phrases, each in a release of its own."""
    edit('version = "1.0.4"', 'version = "1.0.5"')
    release(imgseal, 20, PHRASES)
    edit('version = "1.3.3"', 'version = "1.3.4"\nneeds = { phrases = ">=1.0.5" }')
    release(imgseal, 21, RADIO)
    edit('radio = ">=1.3.3', 'radio = ">=1.3.4')
    release(imgseal, 22, *MOTOR)
    found = rows(imgseal, "out-22/vent-drive-2.4.6-22.suit", "--archive", ".", "--nobody-behind")
    ways = {version: [each["version"] for each in row["through"]] for version, row in found.items()}
    assert ways == {
        "2.4.0": ["2.4.4", "2.4.5"], "2.4.1": ["2.4.4", "2.4.5"], "2.4.2": ["2.4.4", "2.4.5"],
        "2.4.3": ["2.4.4", "2.4.5"], "2.4.4": ["2.4.5"], "2.4.5": [], "2.4.6": [],
    }  # fmt: skip
    assert found["2.4.0"]["cost"]["erases"] > found["2.4.4"]["cost"]["erases"] > found["2.4.5"]["cost"]["erases"]


def test_what_travels_as_a_delivery(imgseal: Imgseal, hotfix: Path) -> None:
    """The smallest that the device takes, of the log and in the archive; the release as a package stays beside it."""
    size = (hotfix / LAST).stat().st_size
    between = "out-18/vent-drive-2.4.2-18.suit"
    for out, of, old in (
        ("one.suit", between, "out-17/vent-drive-2.4.1-17.suit"),
        ("out-19/two.suit", LAST, "out-17/vent-drive-2.4.1-17.suit"),
    ):
        said = imgseal("deliver", of, "--from", old, "--out", out)
        assert said.status == (0 if out == "one.suit" else 1), said.err
    # smaller still, and for devices that have the release already
    assert imgseal("deliver", between, "--from", between, "--out", "none.suit").status == 0
    assert (hotfix / "none.suit").stat().st_size < (hotfix / "one.suit").stat().st_size
    found = rows(imgseal, between, "--archive", ".")
    delivered = (hotfix / "one.suit").stat().st_size
    whole = (hotfix / between).stat().st_size
    assert [(found[v]["cost"]["bytes"], found[v]["cost"]["delivered"]) for v in ("2.4.0", "2.4.1")] == [
        (whole, delivered), (whole, delivered)
    ]  # fmt: skip
    assert f"{whole} bytes, as deliveries {delivered}" in imgseal("paths", between, "--archive", ".").out
    (hotfix / "one.suit").rename(hotfix.parent / "one.suit")
    for folder in (".", "out-17"):
        assert rows(imgseal, between, "--archive", folder)["2.4.1"]["cost"]["delivered"] is None
    assert rows(imgseal, LAST, "--archive", ".")["2.4.2"]["cost"]["bytes"] == size


def test_who_takes_a_delivery(imgseal: Imgseal, hotfix: Path) -> None:
    """Who runs what it starts from, at once or after a release in between; without the archive nobody can say."""
    between = "out-18/vent-drive-2.4.2-18.suit"
    assert imgseal("deliver", between, "--from", "out-17/vent-drive-2.4.1-17.suit", "--out", "one.suit").status == 0
    assert imgseal("deliver", LAST, "--from", between, "--out", "two.suit").status == 0
    for name, answers in (
        ("one.suit", ["direct", "direct", "runs", "runs-later"]),  # the first two run the same
        ("two.suit", ["through", "through", "direct", "runs"]),
    ):
        found = rows(imgseal, name, "--archive", ".")
        assert [found[f"2.4.{n}"]["answer"] for n in range(4)] == answers
        direct = [row["cost"] for row in found.values() if row["answer"] == "direct"]
        assert {(cost["bytes"], cost["delivered"]) for cost in direct} == {((hotfix / name).stat().st_size, None)}
        report = imgseal("report", name, "--archive", ".", "--format", "json", "--out", "r.json")
        assert report.status == (1 if name == "one.suit" else 0), report.err  # the log has a later release
        document = json.loads((hotfix / "r.json").read_text())
        assert [row["answer"] for row in document["paths"]["releases"]] == answers
        assert document["untried"] == ("the package is refused as it is" if name == "one.suit" else None)
    said = imgseal("paths", "two.suit")
    assert (said.status, "depends on what devices run" in said.err) == (2, True)
    said = imgseal("paths", "one.suit", "--archive", "keys")
    assert "not known: what these devices run is not in the archive" in said.out
    assert "left behind: devices of 2.4.0, 2.4.1" in said.out
    report = imgseal("report", "two.suit", "--previous", between, "--format", "json", "--out", "r.json")
    assert (report.status, json.loads((hotfix / "r.json").read_text())["paths"]) == (0, None), report.err


def test_a_release_in_between_that_is_not_there(imgseal: Imgseal, hotfix: Path) -> None:
    found = rows(imgseal, LAST)
    assert (found["2.4.0"]["answer"], [each["version"] for each in found["2.4.0"]["through"]]) == ("missing", ["2.4.2"])
    assert (found["2.4.0"]["cost"], found["2.4.2"]["cost"]["erases"]) == (None, None)
    said = imgseal("paths", LAST, "--nobody-behind")
    assert said.status == 1
    assert "not known: packages of releases in between are missing: 2.4.2" in said.out
    assert "erases and seconds are not known: a package with what these devices run is not in the archive" in said.out
    assert "left behind: devices of 2.4.0, 2.4.1" in said.out


def test_a_withdrawn_release(imgseal: Imgseal, hotfix: Path) -> None:
    """No way leads through it, and nobody takes it any more; its devices are in the field, and are asked about."""
    assert imgseal("log", "withdraw", "2.4.2", "--why", "a test").status == 0
    found = rows(imgseal, LAST, "--archive", ".")
    assert {version: row["answer"] for version, row in found.items()} == {
        "2.4.0": "blocked", "2.4.1": "blocked", "2.4.2": "direct", "2.4.3": "runs",
    }  # fmt: skip
    assert [version for version, row in found.items() if row["withdrawn"]] == ["2.4.2"]
    assert "2.4.2 (sequence 18), withdrawn  takes it: " in imgseal("paths", LAST, "--archive", ".").out
    old = rows(imgseal, "out-18/vent-drive-2.4.2-18.suit", "--archive", ".")
    assert old["2.4.0"]["why"][0]["reason"] == "withdrawn"


def test_devices_of_a_withdrawn_release_are_left_behind(imgseal: Imgseal, hotfix: Path) -> None:
    """The only ones without a way are those of releases that were withdrawn, and CI hears of it."""
    for version in ("2.4.0", "2.4.1"):
        assert imgseal("log", "withdraw", version, "--why", "a test").status == 0
    said = imgseal("paths", LAST, "--nobody-behind")
    assert said.status == 1
    assert "left behind: devices of 2.4.0, 2.4.1\n" in said.out


def test_erases_are_known_without_times(imgseal: Imgseal, hotfix: Path) -> None:
    """A product file without erase times leaves the seconds open, and says so of these alone."""
    text = (hotfix / "imgseal.toml").read_text()
    (hotfix / "imgseal.toml").write_text(re.sub(r"(?m)^(erase_ms|program_us) .*\n", "", text))
    said = imgseal("paths", LAST, "--archive", ".").out
    assert "  seconds are not known: the product file states no erase and program times\n" in said
    assert " erases" in said
    assert "erases and seconds" not in said


def test_numbers_keys_bootloader_and_layout(imgseal: Imgseal, hotfix: Path) -> None:
    """Each reason by its own word: 2.4.1 for the devices of later releases, and 2.4.4 that asks for much."""
    earlier = rows(imgseal, "out-17/vent-drive-2.4.1-17.suit", "--archive", ".")
    assert {version: row["answer"] for version, row in earlier.items()} == {
        "2.4.0": "direct", "2.4.1": "runs", "2.4.2": "runs-later", "2.4.3": "runs-later",
    }  # fmt: skip
    assert [why["reason"] for why in earlier["2.4.2"]["why"]] == ["sequence"]
    edit('version = "1.1.0"', 'version = "1.2.0"')
    edit('bootloader = ">=1.1.0"', 'bootloader = ">=1.2.0"')
    assert "rules.requirement-not-met" in release(imgseal, 20, status=1)
    edit('path = "release.log"', 'path = "other.log"')  # a release that the log does not know
    (hotfix / "other.log").touch()
    release(imgseal, 20)
    edit('path = "other.log"', 'path = "release.log"')
    found = rows(imgseal, "out-20/vent-drive-2.4.4-20.suit", "--archive", ".")
    assert {row["answer"] for row in found.values()} == {"blocked"}
    assert [why["reason"] for why in found["2.4.3"]["why"]] == ["bootloader"]
    edit("at = 0xC_0000", "at = 0xC_1000")
    edit('size = "128 KiB"\n\n[slot.radio-keep]', 'size = "124 KiB"\n\n[slot.radio-keep]')
    moved = rows(imgseal, LAST, "--archive", ".")
    assert [(why["reason"], why["finding"]["place"]["key"]) for why in moved["2.4.2"]["why"]] == [
        ("layout", "slot.radio.at"), ("layout", "slot.radio.size"),
    ]  # fmt: skip


def test_the_answer_is_that_of_check(imgseal: Imgseal, hotfix: Path) -> None:
    """For a device that has taken the release; its first finding is the reason."""
    assert imgseal("device", "new", "d0.json").status == 0
    found = rows(imgseal, LAST, "--archive", ".")
    device = "d0.json"
    for sequence in (16, 17, 18):
        package = f"out-{sequence}/vent-drive-2.4.{sequence - 16}-{sequence}.suit"
        assert imgseal("device", "apply", device, package, "--out", f"d{sequence}.json").status == 0
        device = f"d{sequence}.json"
        said = imgseal("check", LAST, "--device", device, "--json")
        row = found[f"2.4.{sequence - 16}"]
        assert (said.status == 0) == (row["answer"] == "direct")
        findings = [f for check in json.loads(said.out)["verdicts"][0]["checks"] for f in check["findings"]]
        assert {f["code"] for f in findings} == {why["finding"]["code"] for why in row["why"]}


def test_variants(imgseal: Imgseal, hotfix: Path) -> None:
    """Devices of another variant are listed, and nobody means that they should take it."""
    text = (
        hotfix / "imgseal.toml"
    ).read_text() + '\n[variant.late]\nhardware = 4\n[variant.early]\nhardware = "2..3"\n'
    (hotfix / "imgseal.toml").write_text(text)
    for sequence in (20, 21):
        numbers = ("--set", f"release.sequence={sequence}", "--set", f"release.version=2.4.{sequence - 16}")
        out = ("--release", "--variant", "all", "--revision", "ab" * 20, "--out", f"out-{sequence}")
        said = imgseal("build", *ALL, *numbers, *out)
        assert said.status == 0, said.err
    said = imgseal("paths", "out-21/late/vent-drive-late-2.4.5-21.suit", "--archive", ".", "--json", "--nobody-behind")
    assert said.status == 0, said.err
    found = {(row["variant"], row["version"]): row["answer"] for row in json.loads(said.out)["releases"]}
    assert found["early", "2.4.4"] == "other-variant"
    assert found["late", "2.4.4"] == "direct"
    assert found["late", "2.4.5"] == "runs"
    text = imgseal("paths", "out-21/late/vent-drive-late-2.4.5-21.suit").out
    assert "  variant early\n" in text


def test_a_trust_anchor_set(imgseal: Imgseal, hotfix: Path) -> None:
    """What devices as they were made refuse, those with the set take, and the other way round once a key is revoked."""
    add_key(hotfix, "keys/apex")
    add_key(hotfix, "keys/second")
    edit("[trust.images]", '[trust]\napex = "keys/apex.pub.pem"\n\n[trust.images]')
    edit('keys = ["keys/packages.pub.pem"]', 'keys = ["keys/packages.pub.pem", "keys/second.pub.pem"]')
    more = ("--key", "keys/apex.pem", "--running", "out-17/vent-drive-2.4.1-17.suit")
    assert imgseal("trust", "replace", *more, "--out", "1.trust").status == 0
    edit('packages = "keys/packages.pem"', 'packages = "keys/second.pem"')
    release(imgseal, 20)
    found = rows(imgseal, "out-20/vent-drive-2.4.4-20.suit", "--archive", ".")
    old = found["2.4.3"]
    assert (old["answer"], old["why"][0]["reason"]) == ("blocked", "keys")
    assert old["unsaid"] == ["with the trust anchor set of entry 4: takes it"]
    revoked = imgseal("trust", "revoke", "keys/packages.pub.pem", *more, "--previous", "1.trust", "--out", "2.trust")
    assert revoked.status == 0, revoked.err
    old = rows(imgseal, LAST, "--archive", ".")["2.4.2"]
    assert (old["answer"], old["unsaid"]) == ("direct", ["with the trust anchor set of entry 6: cannot take it, keys"])


def test_entries_of_older_formats(imgseal: Imgseal, hotfix: Path) -> None:
    """They name no trust anchors and no layout, and some no bootloader: what is not known stays open, and is said."""
    log = [step.entry for step in LogFile("release.log").walk()]
    old: list[Logged] = []
    for entry in log:
        assert isinstance(entry, Entry)
        packages = tuple(package._replace(layout=None) for package in entry.packages)
        made = entry._replace(anchors=None, bootloader=None, packages=packages, format=2)
        old.append(made if entry.number < 2 else entry)
    project, data = Project.load(None), load_package(LAST)
    history, archive = History(old), Archive(".")
    line = project.product.class_id, ""
    makers = {line: Maker(project.product, project.trust(), "2026-01-01")}
    package = asked_about(data, LAST, project.product, history)
    store = Store(archive.__contains__, archive.load, archive.path)
    document = survey_document(survey(package, history, makers, store), "0")
    assert list(CHECKER.iter_errors(document)) == []
    found = {row["version"]: row for row in document["releases"]}
    assert [found[f"2.4.{n}"]["answer"] for n in range(4)] == ["through", "through", "direct", "runs"]
    assert found["2.4.2"]["unsaid"] == ["needs bootloader >=1.1.0: open, whether every device in the field has one"]
    assert found["2.4.2"]["cost"]["unknown"] == f"the simulated device refuses {LAST}: rules.requirement-not-met"


def test_a_product_line(imgseal: Imgseal, project: Path) -> None:
    """From its folder: the member is that of the package, and so is the log."""
    make_line(project)
    assert imgseal("log", "new", "--product", "vent").status == 0
    for sequence in (17, 18):
        numbers = ("--set", f"release.sequence={sequence}", "--set", f"release.version=2.4.{sequence}")
        out = ("--release", "--revision", "ab" * 20, "--product", "vent", "--out", f"out/{sequence}")
        said = imgseal("build", *firmware(), *numbers, *out)
        assert said.status == 0, said.err
    package = "out/18/vent-2.4.18-18.suit"
    for chosen in ((), ("--product", "vent")):
        found = rows(imgseal, package, *chosen)
        assert {version: row["answer"] for version, row in found.items()} == {"2.4.17": "direct", "2.4.18": "runs"}
    said = imgseal("paths", package, "--product", "shade")
    assert (said.status, "gate/shade/release.log" in said.err) == (2, True)


def test_rehearsed(imgseal: Imgseal, hotfix: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every way is played with power cuts, the release in between as well; without the packages it is no success."""
    monkeypatch.setattr("imgseal.paths.command._PAIRS", 0)
    found = rows(imgseal, LAST, "--archive", ".", "--rehearse")
    played = {
        version: [each["holds"] for each in row["cost"]["rehearsals"]] for version, row in found.items() if row["cost"]
    }
    assert played == {"2.4.0": [True, True], "2.4.1": [True, True], "2.4.2": [True]}
    (hotfix / "out-17" / "vent-drive-2.4.1-17.suit").rename(hotfix.parent / "away.suit")
    assert imgseal("paths", LAST, "--archive", ".", "--rehearse").status == 1


REFUSED: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "no archive": (("--rehearse",), ("--rehearse needs the packages that devices run", "expected: --archive DIR")),
    "no folder": (("--archive", "nowhere"), ("cannot look into the archive", "nowhere", "No such file")),
    "no day": (("--as-of", "soon"), ("this is no day",)),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(imgseal: Imgseal, hotfix: Path, name: str) -> None:
    arguments, words = REFUSED[name]
    said = imgseal("paths", LAST, *arguments)
    assert (said.status in (2, 3), said.out) == (True, "")
    assert [word for word in words if word not in said.err] == []


def test_without_a_log(imgseal: Imgseal, hotfix: Path) -> None:
    (hotfix / "release.log").rename(hotfix / "gone.log")
    said = imgseal("paths", LAST)
    assert (said.status, "the release log is not there" in said.err) == (2, True)
    edit('\n[log]\npath = "release.log"\n', "")
    said = imgseal("paths", LAST)
    assert (said.status, 'expected: path = "release.log" in [log]' in said.err) == (2, True)
    assert imgseal("paths", "imgseal.toml").status == 1


def test_an_archive_with_other_files(imgseal: Imgseal, hotfix: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files that are no package, links and damaged packages are passed over; there is a limit to how many are read."""
    (hotfix / "link").symlink_to(hotfix)
    data = (hotfix / LAST).read_bytes()
    (hotfix / "a.suit").write_bytes(data[:-1])
    assert rows(imgseal, LAST, "--archive", ".")["2.4.0"]["answer"] == "through"
    monkeypatch.setattr("imgseal.workspace.archive.ARCHIVED_FILES", 3)
    said = imgseal("paths", LAST, "--archive", ".")
    assert (said.status, "there are more files in the archive than are looked at" in said.err) == (3, True)
