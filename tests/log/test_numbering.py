"""Numbers that come by themselves: the next one, the same one for the same release, and the one that a request holds."""

import json
import re
import shutil
from pathlib import Path

import pytest
from workshop import ALL, BUILD_TIME, Imgseal, tree

from imgseal.errors import UsageError
from imgseal.releasing.describe import describe

LOG = '\n[log]\npath = "release.log"\n'


@pytest.fixture
def line(project: Path, imgseal: Imgseal) -> Path:
    """A product line: the log says which numbers come."""
    path = project / "imgseal.toml"
    text = path.read_text().replace("sequence = 17", 'sequence = "next"').replace("counter = 6\n", 'counter = "same"\n')
    assert text.count('"same"') == 1
    path.write_text(text + LOG)
    assert imgseal("log", "new").status == 0
    return project


def release(imgseal: Imgseal, version: str, *more: str, status: int = 0, revision: str = "abcd") -> str:
    numbers = ("--set", f"release.version={version}", "--revision", revision)
    out = () if "--out" in more else ("--out", version)
    said = imgseal("build", *ALL, "--release", *numbers, *out, *more)
    assert said.status == status, said.err
    return said.err


def package(folder: Path) -> tuple[str, bytes]:
    (found,) = folder.glob("*.suit")
    return found.name, found.read_bytes()


def entries(project: Path) -> list[dict[str, object]]:
    return [json.loads(text)["entry"] for text in (project / "release.log").read_text().splitlines()]


def test_next_and_same(imgseal: Imgseal, line: Path) -> None:
    """The first counter is what the production line programs; one that is raised stays raised."""
    for version, more in (("2.4.1", ()), ("2.4.2", ("--set", "component.motor.counter=9")), ("2.4.3", ())):
        release(imgseal, version, *more)
    seen = [(e["sequence"], e["least"][0]["counters"][0]) for e in entries(line)]  # type: ignore[index]
    assert seen == [(1, [1, 5]), (2, [1, 9]), (3, [1, 9])]
    (line / "imgseal.toml").write_text((line / "imgseal.toml").read_text().replace('"next"', "17"))
    assert imgseal("build", *ALL, "--set", "release.sequence=next").out.endswith("2.4.1-4-development.suit\n")
    for setting, words in (("release.sequence=last", 'or "next"'), ("component.motor.counter=next", 'or "same"')):
        said = imgseal("build", *ALL, "--set", setting)
        assert (said.status, words in said.err) == (2, True)


@pytest.mark.parametrize("command", ["build", "pack", "seal"])
def test_development_says_that_its_numbers_are_of_no_log(imgseal: Imgseal, line: Path, command: str) -> None:
    """Without the log it goes on, as on a desk that has none; a release stops there. Who seals alone adds no entry."""
    firmware = {
        "build": ALL, "pack": ("out/motor-a.sealed.bin",), "seal": ("motor-a.hex", "--component", "motor"),
    }[command]  # fmt: skip
    words = "release.log: the release log is not there, so release.sequence is 1, component.motor.counter is 5"
    assert imgseal("build", *ALL).status == 0
    assert words not in imgseal(command, *firmware).err
    (line / "release.log").unlink()
    said = imgseal(command, *firmware)
    assert (said.status, said.err.count(words)) == (0, 1), said.err
    stated = imgseal(command, *firmware, "--set", "release.sequence=3", "--set", "component.motor.counter=6")
    assert "release log" not in stated.err
    refused = imgseal(command, *firmware, "--release")
    assert (refused.status, words in refused.err) == ((0, True) if command == "seal" else (2, False)), refused.err


def test_words_need_a_log(imgseal: Imgseal, project: Path) -> None:
    for setting in ("release.sequence=next", "component.motor.counter=same"):
        said = imgseal("build", *ALL, "--set", setting)
        assert (said.status, "left to the release log, and none is stated" in said.err) == (2, True)


@pytest.mark.parametrize("said", [("--again", "a reason"), ("--unrecorded", "a reason"), ("--entry", "0")])
@pytest.mark.parametrize("kept", [True, False])
def test_nothing_is_said_to_a_log_that_is_not_kept(
    imgseal: Imgseal, project: Path, said: tuple[str, str], kept: bool
) -> None:
    """In a development build, with a log or without; in a release without one. Nothing is written."""
    if kept:
        with open(project / "imgseal.toml", "a") as file:
            file.write(LOG)
        assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--out", "sealed").status == 0
    before = tree(project)
    commands: list[tuple[str, ...]] = [("build", *ALL, "--out", "other")]
    if said[0] != "--entry":
        commands.append(("pack", "sealed/radio.sealed.bin", "--out", "other"))
    if not kept:
        commands.append(("build", *ALL, "--release", "--revision", "abcd", "--out", "other"))
    for command in commands:
        refused = imgseal(*command, *said)
        assert (refused.status, f"so {said[0]} says nothing" in refused.err) == (2, True), refused.err
        assert tree(project) == before


def test_built_again_it_is_the_same_release(imgseal: Imgseal, line: Path) -> None:
    """Byte for byte, whatever came after it, and the log is as it was; other firmware is another release."""
    for version in ("2.4.1", "2.4.2"):
        release(imgseal, version)
    release(imgseal, "2.4.3", "--set", "component.motor.counter=9")
    before = (line / "release.log").read_bytes()
    for number, version in enumerate(("2.4.1", "2.4.2")):
        err = release(imgseal, version, "--out", f"again-{version}")
        assert f"this release is entry {number} of release.log already; nothing was added" in err
        assert tree(line / f"again-{version}") == tree(line / version)
    for more, words in (((), "entry 0"), (("--entry", "0"), "entry 0"), (("--entry", "1"), "entry 1")):
        version = "2.4.2" if "1" in more else "2.4.1"
        assert words in release(imgseal, version, "--out", "entry", *more)
        assert package(line / "entry") == package(line / version)
        shutil.rmtree(line / "entry")
    assert (line / "release.log").read_bytes() == before


def test_other_firmware_is_another_release(imgseal: Imgseal, line: Path) -> None:
    """Of the same version, revision and build time: it does not get the number of the one that was released."""
    release(imgseal, "2.4.1")
    data = bytearray((line / "radio.bin").read_bytes())
    data[-1] ^= 1
    (line / "radio.bin").write_bytes(data)
    before = tree(line)
    assert "released before, with other content" in release(imgseal, "2.4.1", status=2)
    assert "is not the release of entry 0" in release(imgseal, "2.4.1", "--entry", "0", status=2)
    assert tree(line) == before
    release(imgseal, "2.4.1", "--again", "the radio was the wrong one", "--out", "b")
    assert package(line / "b")[0] == "vent-drive-2.4.1-2.suit"


def test_an_entry_is_that_release_or_nothing(imgseal: Imgseal, line: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    release(imgseal, "2.4.1")
    assert imgseal("log", "withdraw", "0", "--why", "a test").status == 0
    before = tree(line)
    for number, version, revision, words in (
        ("0", "2.4.1", "abce", "is not the release of entry 0"), ("0", "2.4.2", "abcd", "is not the release of entry 0"),
        ("1", "2.4.1", "abcd", "no release of this product"), ("7", "2.4.1", "abcd", "no release of this product"),
        ("-1", "2.4.1", "abcd", "no release of this product"),
    ):  # fmt: skip
        assert words in release(imgseal, version, "--entry", number, revision=revision, status=2)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(BUILD_TIME + 1))
    err = release(imgseal, "2.4.1", "--entry", "0", status=2)
    assert f"SOURCE_DATE_EPOCH={BUILD_TIME}" in err
    assert tree(line) == before


def test_a_version_is_released_once_and_rises(imgseal: Imgseal, line: Path) -> None:
    release(imgseal, "2.4.1")
    before = tree(line)
    assert "released before, with other content" in release(imgseal, "2.4.1", revision="ff", status=2)
    assert "lower than the last" in release(imgseal, "2.4.0", status=2)
    assert "lower than the last" in release(imgseal, "2.4.1-rc.1", status=2)
    for why in ("", " ", 'it\'s "so"', "back\\slash", "x" * 257, "n\u00f6"):
        assert "cannot hold this reason" in release(imgseal, "2.4.0", "--again", why, status=2)
    assert tree(line) == before
    release(imgseal, "2.4.1", "--again", "the first was never shipped", "--out", "b")
    release(imgseal, "2.4.0", "--again", "back to what worked")
    assert [e["again"] for e in entries(line)] == ["", "the first was never shipped", "back to what worked"]
    assert [e["sequence"] for e in entries(line)] == [1, 2, 3]
    assert package(line / "b")[0] == "vent-drive-2.4.1-2.suit"
    # a job that is run again, for the same reason and with the same inputs, makes the same release
    before_bytes = (line / "release.log").read_bytes()
    release(imgseal, "2.4.1", "--again", "the first was never shipped", "--out", "c")
    release(imgseal, "2.4.0", "--again", "back to what worked", "--out", "d")
    assert (line / "release.log").read_bytes() == before_bytes
    assert package(line / "c") == package(line / "b")
    release(imgseal, "2.4.0", "--again", "back once more", "--out", "e")
    assert [e["sequence"] for e in entries(line)] == [1, 2, 3, 4]


def test_a_product_with_another_name_has_the_versions_of_its_class(imgseal: Imgseal, line: Path) -> None:
    release(imgseal, "2.4.1")
    path = line / "imgseal.toml"
    path.write_text(path.read_text().replace('name = "vent-drive"', 'name = "vent-drive-two"', 1))
    assert "its package is another one" in release(imgseal, "2.4.1", "--out", "two", status=2)
    (line / "radio.bin").write_bytes((line / "radio.bin").read_bytes()[:-4] + b"more")
    assert "released before, with other content" in release(imgseal, "2.4.1", "--out", "three", status=2)


def test_another_package_of_the_same_images(imgseal: Imgseal, line: Path) -> None:
    """A text of the product file is changed: no image is another one, and the package is."""
    release(imgseal, "2.4.1")
    path = line / "imgseal.toml"
    text = path.read_text()
    assert text.count('model = "Vent Drive 2"') == 1
    path.write_text(text.replace('model = "Vent Drive 2"', 'model = "Vent Drive 2b"'))
    before = tree(line)
    err = release(imgseal, "2.4.1", status=2)
    assert "this is the release of entry 0 once more, and its package is another one" in err
    assert tree(line) == before
    release(imgseal, "2.4.1", "--again", "a description", "--out", "b")


def test_what_it_is_made_of_is_on_record(imgseal: Imgseal, line: Path) -> None:
    said = imgseal("build", *ALL, "--release")
    assert (said.status, "which sources this release is made of" in said.err) == (2, True)
    said = imgseal("build", *ALL, "--release", "--describe", "v2.4.1-0-gabcdef12-dirty")
    assert (said.status, "files were changed" in said.err) == (2, True)
    assert entries(line) == []
    assert imgseal("build", *ALL, "--release", "--unrecorded", "from a tarball").status == 0
    more = ("--describe", "v2.4.2-0-gabcdef12-dirty", "--unrecorded", "a patch of the day")
    assert imgseal("build", *ALL, "--release", *more).status == 0
    seen = [(e["version"], e["revision"], e["unrecorded"]) for e in entries(line)]
    assert seen == [("2.4.1", "", "from a tarball"), ("2.4.2", "abcdef12", "a patch of the day")]


DESCRIPTIONS = [
    ("v1.4.0-0-g8f14e45fceea167a", "1.4.0", "8f14e45fceea167a", False),
    ("v1.4.0-3-gabcdef0", "1.4.0-alpha.3", "abcdef", False),
    ("v1.4.0-3-gabcdef0-dirty", "1.4.0-alpha.3", "abcdef", True),
    ("1.4.0-rc.1-2-gabcdef00", "1.4.0-rc.1", "abcdef00", False),
    ("gate/v1.4.0-0-gabcd", "1.4.0", "abcd", False),
    ("vent-drive-1.4.0-0-gabcd-dirty", "1.4.0", "abcd", True),
    ("v1.4.0", "1.4.0", "", False),
    ("v1.4.0-dirty", "1.4.0", "", True),
    ("8f14e45fceea167a", None, "8f14e45fceea167a", False),
    ("8f14e45-broken", None, "8f14e4", True),
]


@pytest.mark.parametrize(("text", "version", "revision", "dirty"), DESCRIPTIONS)
def test_descriptions(text: str, version: str | None, revision: str, dirty: bool) -> None:
    found = describe(text)
    said = None if found.release_version is None else str(found.release_version)
    assert (said, found.revision, found.dirty) == (version, revision, dirty)


@pytest.mark.parametrize(
    "text", ["", "-dirty", "main", "v1.4-0-gabcd", "v01.4.0", "fatal: not a git repository", "g123"]
)
def test_no_descriptions(text: str) -> None:
    with pytest.raises(UsageError, match="not what git describe says") as caught:
        describe(text)
    assert "docs/cli.md" in (caught.value.hint or "")


def test_described_builds(imgseal: Imgseal, line: Path) -> None:
    """A tag gives a release; what is between two tags gives development builds, and a release only with a version."""
    between = ("--describe", "v2.5.0-3-gabcdef0")
    assert "2.5.0-alpha.3-1-development.suit" in imgseal("build", *ALL, *between).out
    said = imgseal("build", *ALL, "--release", *between)
    assert (said.status, "no tagged revision" in said.err) == (2, True)
    said = imgseal("build", *ALL, "--release", "--describe", "v2.5.0-0-gabcdef0", "--revision", "ff")
    assert (said.status, "name two revisions" in said.err) == (2, True)
    assert imgseal("build", *ALL, "--release", "--describe", "v2.5.0-0-gabcdef0").status == 0
    assert imgseal("build", *ALL, "--release", *between, "--set", "release.version=2.5.1").status == 0
    assert [(e["version"], e["revision"]) for e in entries(line)] == [("2.5.0", "abcdef"), ("2.5.1", "abcdef")]


# -- reservations ---------------------------------------------------------------------------------------


@pytest.fixture
def away(line: Path) -> Path:
    """Both release keys are in another room."""
    (line / "vault").mkdir()
    text = (line / "imgseal.toml").read_text()
    for role in ("images", "packages"):
        (line / f"keys/{role}.pem").rename(line / f"vault/{role}.pem")
        text = text.replace(f'"keys/{role}.pem"', f'"keys/{role}.pub.pem"')
    (line / "imgseal.toml").write_text(text)
    return line


def ask(imgseal: Imgseal, version: str, *more: str) -> str:
    err = release(imgseal, version, "--sign-later", *more)
    found = re.search(r"reserved as entry (\d+)", err)
    assert found is not None or "already" in err
    return err


def finish(imgseal: Imgseal, project: Path, version: str, *, status: int = 0) -> str:
    """Sign and finish both requests of a release."""
    err = ""
    for what, firmware in (("images", ALL), ("package", None)):
        (request,) = (project / version).glob(f"*-{what}.request.json")
        key = "images" if what == "images" else "packages"
        signed = imgseal("sign", str(request), "--key", f"vault/{key}.pem", "--yes")
        assert signed.status == 0, signed.err
        response = str(request).replace(".request.json", ".response.json")
        sealed = sorted((project / version).glob("*.sealed.bin"))
        given = firmware or tuple(f"{path.name.split('.')[0].split('-')[0]}={path}" for path in sealed)
        said = imgseal("finish", str(request), *given, "--response", response, "--out", version,
                       "--set", f"release.version={version}")  # fmt: skip
        assert said.status == status, said.err
        err += said.err
    return err


def test_a_request_for_a_number_that_is_released(imgseal: Imgseal, away: Path) -> None:
    ask(imgseal, "2.4.1")
    finish(imgseal, away, "2.4.1")
    err = release(imgseal, "2.4.2", "--sign-later", "--set", "release.sequence=1", status=2)
    assert "the sequence is used again, with another manifest" in err
    assert "found: a package that is not signed yet" in err


@pytest.mark.parametrize("order", [("2.4.1", "2.4.2"), ("2.4.2", "2.4.1")])
def test_two_open_requests_in_either_order(imgseal: Imgseal, away: Path, order: tuple[str, str]) -> None:
    """Each has the number that was reserved for it; what is asked for again is the same request."""
    ask(imgseal, "2.4.1")
    ask(imgseal, "2.4.2")
    requests = tree(away)
    assert "this release is entry 0 of release.log already" in ask(imgseal, "2.4.1")
    assert tree(away) == requests
    for version in order:
        assert "logged as entry" in finish(imgseal, away, version)
    made = entries(away)
    assert [e["kind"] for e in made] == ["reservation", "reservation", "release", "release"]
    assert [(e["version"], e["sequence"], e["reserved"], e["witness"]) for e in made[2:]] == [
        (version, int(version[-1]), int(version[-1]) - 1, int(version[-1]) - 1) for version in order
    ]
    floor = made[3]["least"][0]  # type: ignore[index]
    assert (floor["sequence"], floor["given"], floor["open"]) == (2, 2, [])
    assert (away / "2.4.2/vent-drive-2.4.2-2.suit").exists()
    assert imgseal("log", "verify").status == 0
    assert imgseal("check", "2.4.2/vent-drive-2.4.2-2.suit").status == 0
    before = tree(away)
    assert "already; nothing was added" in finish_again(imgseal, away, order[0])
    assert tree(away) == before


def finish_again(imgseal: Imgseal, project: Path, version: str) -> str:
    for path in (project / version).glob("*.response.json"):
        path.unlink()
    return finish(imgseal, project, version)


@pytest.mark.parametrize("order", [("2.4.1", "2.4.2"), ("2.4.2", "2.4.1")])
@pytest.mark.parametrize("known", [0, 1])
def test_a_log_that_lacks_the_reservation(imgseal: Imgseal, away: Path, order: tuple[str, str], known: int) -> None:
    """A clone from before: its next number would be one that the log which was not fetched has given to others."""
    log = away / "release.log"
    stale = [log.read_bytes()]
    ask(imgseal, "2.4.1")
    stale.append(log.read_bytes())
    ask(imgseal, "2.4.2")
    fetched = log.read_bytes()
    log.write_bytes(stale[known])
    for version in order:
        if known == 1 and version == "2.4.1":
            continue
        before = tree(away)
        err = refused(imgseal, away, version, ALL)
        assert "release.log: the release log does not hold the number that this request reserved" in err
        assert f"expected: an open reservation of vent-drive {version}\n" in err
        assert f"found: none in its {known} entries\n" in err
        assert "fetch the log that the request was made with" in err
        assert "--again" not in err
        assert tree(away) == before | responses(away)
    log.write_bytes(fetched)
    for version in order:
        for path in (away / version).glob("*.response.json"):
            path.unlink()
        assert "logged as entry" in finish(imgseal, away, version)
    made = [(each["version"], each["sequence"], each["reserved"]) for each in entries(away)[2:]]
    assert made == [(version, int(version[-1]), int(version[-1]) - 1) for version in order]


def responses(project: Path) -> dict[str, bytes]:
    return {name: data for name, data in tree(project).items() if name.endswith(".response.json")}


def refused(imgseal: Imgseal, project: Path, version: str, firmware: tuple[str, ...], status: int = 2) -> str:
    """Sign the request for the images, and say why it is not finished."""
    (request,) = (project / version).glob("*-images.request.json")
    response = str(request).replace(".request.json", ".response.json")
    if not Path(response).exists():
        assert imgseal("sign", str(request), "--key", "vault/images.pem", "--yes").status == 0
    number = ("--set", f"release.version={version}")
    said = imgseal("finish", str(request), *firmware, "--response", response, "--out", version, *number)
    assert said.status == status, said.err
    return said.err


def test_a_package_whose_reservation_is_not_there(imgseal: Imgseal, away: Path) -> None:
    """Between the two requests the log was put back: the sealed images are those of the request, and of no entry."""
    log = away / "release.log"
    empty = log.read_bytes()
    ask(imgseal, "2.4.1")
    for what, role in (("images", "images"), ("package", "packages")):
        request = f"2.4.1/vent-drive-2.4.1-1-{what}.request.json"
        assert imgseal("sign", request, "--key", f"vault/{role}.pem", "--yes").status == 0
        sealed = sorted((away / "2.4.1").glob("*.sealed.bin"))
        given = tuple(f"{path.name.split('.')[0].split('-')[0]}={path}" for path in sealed) or ALL
        finishing = ("finish", request, *given, "--response", request.replace("request", "response"), "--out", "2.4.1",
                     "--set", "release.version=2.4.1")  # fmt: skip
        if what == "images":
            assert imgseal(*finishing).status == 0
            continue
        whole = log.read_bytes()
        log.write_bytes(empty)
        said = imgseal(*finishing)
        assert (said.status, "does not hold the number that this request reserved" in said.err) == (2, True), said.err
        log.write_bytes(whole)
        said = imgseal("finish", request, *given[:-1], *finishing[2 + len(given) :])
        assert (said.status, "not what the request asks to be signed" in said.err) == (4, True), said.err
        assert imgseal(*finishing).status == 0


def test_an_entry_that_is_a_reservation(imgseal: Imgseal, away: Path) -> None:
    """Open it is no release yet, and the message says how it becomes one; surrendered it will never be one."""
    ask(imgseal, "2.4.1")
    err = release(imgseal, "2.4.1", "--sign-later", "--entry", "0", status=2)
    assert "this entry is a reservation that is still open, and no release yet" in err
    assert "found: entry 0, which holds sequence 1 for vent-drive 2.4.1" in err
    assert "imgseal finish completes it" in err
    assert imgseal("log", "surrender", "0", "--why", "a test").status == 0
    assert "is no release of this product" in release(imgseal, "2.4.1", "--sign-later", "--entry", "0", status=2)


def test_other_firmware_is_not_a_version_that_was_released_before(imgseal: Imgseal, away: Path) -> None:
    """There is nothing to be released again: what the request asks for is another thing."""
    ask(imgseal, "2.4.1")
    before = tree(away)
    for firmware in (ALL[:3], (*ALL[:3], "phrases=radio.bin@0x60080400")):
        err = refused(imgseal, away, "2.4.1", firmware, status=4)
        assert "what is made here now is not what the request asks to be signed" in err
        assert "finish with the firmware, product file and imgseal version of the request, all files of it" in err
        assert "--again" not in err
    assert tree(away) == before | responses(away)
    assert imgseal("log", "surrender", "0", "--why", "a test").status == 0
    err = refused(imgseal, away, "2.4.1", ALL)
    assert "found: entry 0, surrendered\n" in err
    assert "ask again, which gives it a number that is free" in err


def test_a_number_that_is_given_up(imgseal: Imgseal, away: Path) -> None:
    """Its request is not finished any more, and nobody else gets its number."""
    ask(imgseal, "2.4.1")
    said = imgseal("log", "surrender", "1", "--why", "a test")
    assert (said.status, "expected: entry 0\n" in said.err, "found: entry 1\n" in said.err) == (2, True, True)
    (row,) = imgseal("log", "show").out.splitlines()
    assert (row.startswith("   0  reservation of vent-drive 2.4.1"), row.endswith("  open")) == (True, True)
    said = imgseal("log", "surrender", "0", "--why", "the holder is away")
    assert said.status == 0
    first, second = imgseal("log", "show").out.splitlines()
    assert first == row.removesuffix("  open")
    assert second.startswith("   1  reservation of entry 0 surrendered")
    said = imgseal("log", "surrender", "0", "--why", "twice")
    assert (said.status, "the log has none" in said.err) == (2, True)
    ask(imgseal, "2.4.2")
    assert entries(away)[-1]["sequence"] == 2


def test_devices_do_not_take_a_reservation_for_a_release(imgseal: Imgseal, away: Path) -> None:
    ask(imgseal, "2.4.1")
    finish(imgseal, away, "2.4.1")
    ask(imgseal, "2.4.2")
    said = imgseal("check", "2.4.1/vent-drive-2.4.1-1.suit")
    assert said.out.startswith("accepted, for a device with the numbers of release.log (sequence 1)"), said.out
