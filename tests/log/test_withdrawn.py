"""What check, gate and report say of a release that is withdrawn."""

import json
from pathlib import Path

import pytest
from line_tree import MEMBERS, firmware, make_line
from workshop import ALL, Imgseal, public_key, tree

LOG = '\n[log]\npath = "release.log"\n[gate]\nraw = []\n'
NAMES = {2: "out-2/vent-drive-2.4.2-2.suit", 1: "out-1/vent-drive-2.4.1-1.suit"}


@pytest.fixture
def two(project: Path, imgseal: Imgseal) -> Path:
    """Two releases that share the phrases; the second is withdrawn."""
    path = project / "imgseal.toml"
    path.write_text(path.read_text().replace("sequence = 17", 'sequence = "next"') + LOG)
    assert imgseal("log", "new").status == 0
    for number in (1, 2):
        more = ("--set", f"release.version=2.4.{number}", "--revision", "abcd", "--out", f"out-{number}")
        firmware = (*ALL[:3], ALL[3] if number == 1 else "phrases=out-1/phrases.sealed.bin")
        said = imgseal("build", *firmware, "--release", *more)
        assert said.status == 0, said.err
    assert imgseal("check", NAMES[2]).status == 0
    assert imgseal("gate", "out-2").status == 0
    said = imgseal("log", "withdraw", "2.4.2", "--why", "the vent stops half open")
    assert said.out.startswith("entry 2 of release.log; head 3:")
    return project


def test_check_refuses_it_whatever_the_device(imgseal: Imgseal, two: Path) -> None:
    assert imgseal("device", "new", "unit.json").status == 0
    for device in ((), ("--device", "unit.json")):
        said = imgseal("check", NAMES[2], *device, "--json")
        found = json.loads(said.out)["verdicts"][0]
        assert (said.status, found["first_finding"]) == (1, "rollback.withdrawn")
    assert "the maker has withdrawn this release" in imgseal("check", NAMES[2]).out
    assert imgseal("check", NAMES[1], "--device", "unit.json").status == 0
    assert imgseal("check", NAMES[2], "--development").out.count("rollback.withdrawn") == 0  # a desk asks no log


def test_it_is_the_log_that_refuses(imgseal: Imgseal, two: Path) -> None:
    """A device is not told of a withdrawal, and takes the package; a release that nobody logged is no other case."""
    said = imgseal("rehearse", NAMES[2], "--pairs", "0")
    assert said.status == 1
    assert "the release log refuses this update package: rollback.withdrawn: the maker has withdrawn" in said.err
    assert imgseal("rehearse", NAMES[2], "--pairs", "0", "--development").status == 0
    assert imgseal("device", "new", "new.json").status == 0
    assert imgseal("device", "apply", "new.json", NAMES[2], "--out", "taken.json").status == 0


@pytest.mark.parametrize("devices", [(), ("--fresh",), ("--device", "unit.json"), ("--previous", NAMES[1])])
def test_the_gate_gives_the_same_answer(imgseal: Imgseal, two: Path, devices: tuple[str, ...]) -> None:
    """And refuses its images by themselves, but for those that a good release has as well."""
    assert imgseal("device", "new", "unit.json").status == 0
    said = imgseal("gate", "out-2", *devices, "--every")
    assert said.status == 1
    assert "rollback.withdrawn" in said.out
    if "--device" not in devices:  # which takes no image without the others
        assert said.out.count("gate.withdrawn") == 2, said.out  # the motor's; radio and phrases are in both releases
    assert "2 good" in said.out
    for path in (two / "out-2").glob("[mrv]*"):
        path.unlink()
    said = imgseal("gate", "out-2", *devices)
    assert (said.status, "1 good" in said.out) == (0, True), said.out


@pytest.mark.parametrize("devices", [(), ("--device", "unit.json"), ("--previous", NAMES[1])])
def test_the_report_gives_the_same_answer(imgseal: Imgseal, two: Path, devices: tuple[str, ...]) -> None:
    assert imgseal("device", "new", "unit.json").status == 0
    said = imgseal("report", NAMES[2], *devices, "--format", "json", "--out", "report.json")
    found = json.loads((two / "report.json").read_text())["verdict"]
    assert (said.status, found["first_finding"]) == (1, "rollback.withdrawn")


def test_it_is_not_built_again(imgseal: Imgseal, two: Path) -> None:
    """By who does not say that it is that one: a job that is run again would publish it."""
    again = ("build", *ALL[:3], "phrases=out-1/phrases.sealed.bin", "--release", "--revision", "abcd")
    said = imgseal(*again, "--set", "release.version=2.4.2", "--out", "again")
    assert (said.status, (two / "again").exists()) == (2, False)
    assert "this release is withdrawn: nobody is to install it" in said.err
    assert "vent-drive 2.4.2, entry 1" in said.err
    said = imgseal(*again, "--set", "release.version=2.4.2", "--out", "again", "--entry", "1")
    assert said.status == 0, said.err
    assert (two / NAMES[2].replace("out-2", "again")).read_bytes() == (two / NAMES[2]).read_bytes()
    assert imgseal("build", *ALL, "--release", "--revision", "abcd", "--set", "release.version=2.4.1").status == 0


def test_it_is_withdrawn_once_and_by_one_name(imgseal: Imgseal, two: Path) -> None:
    for release, words in (
        ("2.4.2", "withdrawn already"),
        ("1", "withdrawn already"),
        ("9", "no such release"),
        ("2", "this entry of the log is no release"),
    ):
        said = imgseal("log", "withdraw", release, "--why", "again")
        assert (said.status, words in said.err) == (2, True), said.err
    shown = imgseal("log", "show").out.splitlines()
    assert shown[2].startswith("   2  release of entry 1 withdrawn")
    assert shown[2].endswith("the vent stops half open")
    assert "why        the vent stops half open" in imgseal("log", "show", "2").out
    assert [row.endswith("  withdrawn") for row in shown] == [False, True, False]
    assert shown[1].startswith("   1  vent-drive 2.4.2  sequence 2")
    assert ", withdrawn\n" in imgseal("log", "show", "2.4.2").out
    assert "withdrawn" not in imgseal("log", "show", "2.4.1").out
    by_key = imgseal("log", "show", "--key", public_key("keys/images").key_id.hex()).out.splitlines()
    assert [row.endswith("  withdrawn") for row in by_key] == [False, True]
    kinds = [entry["kind"] for entry in json.loads(imgseal("log", "show", "--json").out)]
    assert kinds == ["release", "release", "withdrawal"]  # as they stand in the log
    more = ("--set", "release.version=2.4.3", "--revision", "ab", "--out", "out-3")
    assert imgseal("build", *ALL, "--release", *more).status == 0  # later releases are not touched
    assert imgseal("check", "out-3/vent-drive-2.4.3-3.suit").status == 0


@pytest.fixture
def shared(project: Path, imgseal: Imgseal) -> Path:
    """A line of three with one log: vent has 2.4.1 and 2.4.2, pump 2.4.1, shade an open reservation of 2.4.3."""
    make_line(project)
    for folder in MEMBERS.values():
        member = project / folder / "imgseal.toml"
        text = member.read_text().replace("sequence = 17", 'sequence = "next"')
        member.write_text(
            text.replace('path = "release.log"', f'path = "{"../" * len(Path(folder).parts)}release.log"')
        )
    assert imgseal("log", "new", "--product", "vent").status == 0
    for name, version in (("vent", "2.4.1"), ("pump", "2.4.1"), ("vent", "2.4.2")):
        more = ("--revision", "abcd", "--set", f"release.version={version}", "--out", f"{name}-{version}")
        said = imgseal("build", *firmware(), "--release", "--product", name, *more)
        assert said.status == 0, said.err
    (project / "vault").mkdir()
    for role in ("images", "packages"):
        (project / f"keys/{role}.pem").rename(project / f"vault/{role}.pem")
    common = project / "common.toml"
    common.write_text(
        common.read_text().replace("images.pem", "images.pub.pem").replace("packages.pem", "packages.pub.pem")
    )
    asked = ("--revision", "abcd", "--set", "release.version=2.4.3", "--out", "shade", "--sign-later")
    said = imgseal("build", *firmware(), "--release", "--product", "shade", *asked)
    assert (said.status, "reserved as entry 3" in said.err) == (0, True), said.err
    return project


def test_a_product_withdraws_no_release_of_another(imgseal: Imgseal, shared: Path) -> None:
    """Of a log that they share: whoever is meant has to be named, by --product or by the folder that one is in."""
    for words, more, said_of in (
        ("of another product", ("0", "--product", "pump"), "vent 2.4.1"),
        ("of another product", ("2.4.2", "--product", "pump"), "vent 2.4.2"),
        ("of another product", ("1", "--product", "vent/imgseal.toml"), "pump 2.4.1"),
        ("of another product", ("1", "--product", "vent", "--log", "release.log"), "pump 2.4.1"),
        ("several products keep this log", ("2.4.2", "--log", "release.log"), "2.4.2, in a log of pump, vent"),
    ):
        before = tree(shared)
        said = imgseal("log", "withdraw", *more, "--why", "a test")
        assert (said.status, words in said.err, tree(shared)) == (2, True, before), said.err
        assert f"found: {said_of}\n" in said.err
        assert "--product" in said.err
    for number, more in ((4, ("2.4.1", "--product", "pump")), (5, ("2.4.1", "--product", "vent/imgseal.toml"))):
        said = imgseal("log", "withdraw", *more, "--why", "a test")
        assert (said.status, said.out.startswith(f"entry {number} of ")) == (0, True), said.err
    assert imgseal("log", "withdraw", "2", "--log", "release.log", "--why", "named by its number").status == 0
    rows = imgseal("log", "show", "--log", "release.log").out.splitlines()
    assert [row.split("release of entry ")[1][0] for row in rows[4:]] == ["1", "0", "2"]


def test_a_product_surrenders_no_reservation_of_another(imgseal: Imgseal, shared: Path) -> None:
    before = tree(shared)
    said = imgseal("log", "surrender", "3", "--product", "vent", "--why", "a test")
    assert (said.status, "found: shade 2.4.3\n" in said.err, tree(shared)) == (2, True, before), said.err
    assert imgseal("log", "surrender", "3", "--product", "shade", "--why", "a test").status == 0


def test_a_product_that_was_renamed_withdraws_what_it_was(imgseal: Imgseal, two: Path) -> None:
    """And one whose class is another now: devices of both are its own."""
    path = two / "imgseal.toml"
    text = path.read_text()
    path.write_text(text.replace('name = "vent-drive"', 'name = "vent"'))
    assert imgseal("log", "withdraw", "2.4.1", "--why", "under its old name").status == 0
    path.write_text(text.replace('class = "vent-drive-2"', 'class = "vent-drive-3"'))
    said = imgseal("log", "withdraw", "2.4.1", "--why", "of its old class")
    assert "withdrawn already" in said.err
