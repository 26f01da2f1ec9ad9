"""Which bootloaders a release is judged against: those of the field, and the verdict names the source.

Today's product file says what devices leave the factory with from now on; it is no witness of those made before.
"""

import json
from pathlib import Path

import pytest
from jsonschema import validate
from workshop import ALL, Imgseal, private_key, public_key

from imgseal.keys.pem import encode_private, encode_public

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "format" / "verdict.schema.json").read_text())
LOG = '\n[log]\npath = "release.log"\n'
OLD, NEW = "out-17/vent-drive-2.4.1-17.suit", "out-18/vent-drive-2.4.2-18.suit"
NEEDS = 'bootloader = ">=1.1.0"'


def write(project: Path, *, version: str, needs: str, log: bool) -> None:
    """The demo's product file with another bootloader, another need of the motor core, and a release log or none."""
    from imgseal.product.starter import product_text

    text = product_text()
    assert NEEDS in text
    assert '[bootloader]\nversion = "1.1.0"' in text
    text = text.replace(NEEDS, f'bootloader = "{needs}"').replace(
        '[bootloader]\nversion = "1.1.0"', f'[bootloader]\nversion = "{version}"'
    )
    (project / "imgseal.toml").write_text(text + (LOG if log else ""))
    (project / "release.log").touch()


def build(imgseal: Imgseal, sequence: int, *more: str, status: int = 0) -> str:
    number = ("--set", f"release.sequence={sequence}", "--set", f"release.version=2.4.{sequence - 16}")
    said = imgseal("build", *ALL, "--release", "--revision", "abcd", *number, "--out", f"out-{sequence}", *more)
    assert said.status == status, said.err
    return said.err


def verdict(imgseal: Imgseal, *arguments: str) -> tuple[int, dict[str, object]]:
    said = imgseal("check", *arguments, "--json")
    document = json.loads(said.out)
    validate(document, SCHEMA)
    found: dict[str, object] = document["verdicts"][0]
    return said.status, found


# version in the product file of the first release and of the second, what the second needs, what it is then
FIELD = [
    ("1.1.0", "1.2.0", ">=1.2.0", "refused", "1.1.0", "1.2.0"),
    ("1.1.0", "1.2.0", ">=1.1.0", "accepted", "1.1.0", "1.2.0"),
    ("1.2.0", "1.1.0", ">=1.1.0", "accepted", "1.1.0", "1.2.0"),
    ("1.2.0", "1.1.0", ">=1.1.0, <1.2.0", "refused", "1.1.0", "1.2.0"),
    ("1.2.0", "1.2.0", ">=1.1.0, <1.3.0", "accepted", "1.2.0", "1.2.0"),
]


@pytest.mark.parametrize(("before", "now", "needs", "answer", "oldest", "newest"), FIELD)
def test_the_log_says_what_is_in_the_field(
    imgseal: Imgseal, project: Path, before: str, now: str, needs: str, answer: str, oldest: str, newest: str
) -> None:
    """`build`, `check` and `gate` give one answer, and every one of them says where it is from."""
    write(project, version=before, needs=">=1.0.0", log=True)
    build(imgseal, 17)
    write(project, version=now, needs=needs, log=False)
    build(imgseal, 18)  # without the log nothing says what is in the field
    write(project, version=now, needs=needs, log=True)
    status, found = verdict(imgseal, NEW)
    assert (found["verdict"], status) == ("refused", 1)  # this one was not logged
    assert found["first_finding"] == ("gate.not-logged" if answer == "accepted" else "rules.requirement-not-met")
    words = f"bootloader {oldest if oldest == newest else f'{oldest} to {newest}'} (release.log, and the product file"
    bootloader = found["bootloader"]
    assert isinstance(bootloader, dict)
    assert (bootloader["oldest"], bootloader["newest"], bootloader["source"]) == (oldest, newest, "release log")
    assert words in bootloader["words"]
    said = imgseal("check", NEW)
    assert f"  fielded   {words}" in said.out
    for path in (project / "out-18").iterdir():
        path.unlink()
    err = build(imgseal, 18, status=0 if answer == "accepted" else 1)
    assert ("rules.requirement-not-met" in err, words in err) == ((answer == "refused"),) * 2
    assert bool(list((project / "out-18").iterdir())) == (answer == "accepted")


def test_what_was_released_without_a_word_on_it_stays_open(imgseal: Imgseal, project: Path) -> None:
    write(project, version="1.1.0", needs=">=1.0.0", log=True)
    text = (project / "imgseal.toml").read_text()
    start, end = text.index("[bootloader]"), text.index("# -- internal flash")
    text = text[:start] + text[end:]
    (project / "imgseal.toml").write_text(text.replace(', bootloader = ">=1.0.0"', ""))
    build(imgseal, 17)
    assert json.loads((project / "release.log").read_text())["entry"]["bootloader"] is None
    write(project, version="1.2.0", needs=">=1.2.0", log=True)
    err = build(imgseal, 18)
    assert "needs bootloader >=1.2.0: open, whether every device in the field has one" in err
    _, found = verdict(imgseal, NEW)
    assert found["bootloader"] == {
        "oldest": None, "newest": None, "source": "release log",
        "words": "bootloader not known (release.log has releases that do not say it)",
    }  # fmt: skip
    requirements = [c for c in found["checks"] if c["name"] == "requirements"]  # type: ignore[attr-defined]
    assert "not run" in {check["outcome"] for check in requirements}


def test_a_first_release_says_on_whose_word(imgseal: Imgseal, project: Path) -> None:
    """With a log that has no release no device is in the field; without one nobody knows, and the verdict says so."""
    write(project, version="1.2.0", needs=">=1.2.0", log=True)
    build(imgseal, 17)
    (project / "release.log").write_bytes(b"")
    status, found = verdict(imgseal, OLD)
    assert (status, found["first_finding"]) == (1, "gate.not-logged")
    assert found["bootloader"]["source"] == "first devices"  # type: ignore[index]
    assert "release.log has no release, so no device is in the field" in found["bootloader"]["words"]  # type: ignore[index]
    assert {c["outcome"] for c in found["checks"] if c["name"] == "requirements"} == {"passed"}  # type: ignore[attr-defined]
    write(project, version="1.2.0", needs=">=1.2.0", log=False)
    status, found = verdict(imgseal, OLD)
    assert (status, found["bootloader"]["source"]) == (0, "product file")  # type: ignore[index]
    said = imgseal("check", OLD)
    assert "nothing says what is in the field" in said.out
    assert said.out.count("open, whether every device in the field has one") == 1
    assert {c["outcome"] for c in found["checks"] if c["name"] == "requirements"} == {"not run", "passed"}  # type: ignore[attr-defined]
    # nobody gets a bootloader that even today's product file does not have
    write(project, version="1.1.0", needs=">=1.2.0", log=False)
    assert verdict(imgseal, OLD)[1]["first_finding"] == "rules.requirement-not-met"


def test_a_missing_log_is_no_witness(imgseal: Imgseal, project: Path) -> None:
    """It may have been moved, or not be checked out; what is judged for a desk asks for none."""
    write(project, version="1.1.0", needs=">=1.0.0", log=True)
    build(imgseal, 17)
    (project / "release.log").unlink()
    said = imgseal("check", OLD)
    assert (said.status, "the release log is not there" in said.err) == (2, True)
    assert imgseal("check", OLD, "--development").status == 0


def test_a_variant_of_the_same_class_is_in_the_field(imgseal: Imgseal, project: Path) -> None:
    """A device knows its class: a variant named later is for those made before as well."""
    write(project, version="1.0.0", needs=">=1.0.0", log=True)
    build(imgseal, 18)
    variant = '\n[variant.rev2]\nhardware = "4..5"\n\n[variant.apart]\nclass = "vent-drive-2-apart"\n'
    path = project / "imgseal.toml"
    write(project, version="1.1.0", needs=">=1.1.0", log=False)
    path.write_text(path.read_text() + variant)
    build(imgseal, 19, "--variant", "rev2")
    build(imgseal, 20, "--variant", "apart")
    build(imgseal, 17, "--variant", "rev2")
    path.write_text(path.read_text() + LOG)
    for sequence, code in ((19, "rules.requirement-not-met"), (17, "rollback.sequence-too-low")):
        package = next((project / f"out-{sequence}").glob("*.suit"))
        status, found = verdict(imgseal, str(package), "--variant", "rev2")
        assert (status, found["first_finding"]) == (1, code)
        assert "no device is in the field" not in json.dumps(found)
        assert imgseal("gate", str(package.parent), "--variant", "rev2").status == 1
    assert "rules.requirement-not-met" in build(imgseal, 19, "--variant", "rev2", status=1)
    path.write_text(path.read_text().replace(NEEDS, 'bootloader = ">=1.0.0"'))
    assert "the sequence goes down" in build(imgseal, 17, "--variant", "rev2", status=2)
    package = next((project / "out-20").glob("*.suit"))
    status, found = verdict(imgseal, str(package), "--variant", "apart")
    assert (status, found["first_finding"]) == (1, "gate.not-logged")
    assert found["bootloader"]["source"] == "first devices"  # type: ignore[index]


def test_a_device_state_answers_for_itself(imgseal: Imgseal, project: Path) -> None:
    write(project, version="1.1.0", needs=">=1.2.0", log=False)
    said = imgseal("device", "new", "unit.json")
    assert said.status == 0
    write(project, version="1.2.0", needs=">=1.2.0", log=True)
    build(imgseal, 17)
    status, found = verdict(imgseal, OLD, "--device", "unit.json")
    assert (status, found["first_finding"]) == (1, "rules.requirement-not-met")
    assert found["bootloader"] == {
        "oldest": "1.1.0", "newest": "1.1.0", "source": "device state", "words": "bootloader 1.1.0 (device state)",
    }  # fmt: skip
    document = json.loads((project / "unit.json").read_text())
    (project / "newer.json").write_text(json.dumps({**document, "bootloader": "1.2.0"}))
    assert verdict(imgseal, OLD, "--device", "newer.json")[0] == 0


def test_the_previous_package_says_the_least(imgseal: Imgseal, project: Path) -> None:
    """What its devices run needs 1.1.0: they have that or a newer one, and more than that is not known."""
    write(project, version="1.1.0", needs=">=1.1.0", log=False)
    build(imgseal, 17)
    write(project, version="1.2.0", needs=">=1.1.0", log=False)
    assert ": open, " not in build(imgseal, 18, "--previous", OLD)
    write(project, version="1.2.0", needs=">=1.2.0", log=False)
    assert "needs bootloader >=1.2.0: open, " in build(imgseal, 19, "--previous", OLD)
    write(project, version="1.2.0", needs=">=1.1.0, <2.0.0", log=False)
    assert ": open, " in build(imgseal, 20, "--previous", OLD)


def test_nobody_signs_what_the_field_cannot_start(imgseal: Imgseal, project: Path) -> None:
    """Another signature changes nothing about the bootloaders in the field."""
    (project / "keys" / "second.pem").write_bytes(encode_private(private_key("keys/second"), None))
    (project / "keys" / "second.pem").chmod(0o600)
    (project / "keys" / "second.pub.pem").write_bytes(encode_public(public_key("keys/second")))
    one, two = '["keys/packages.pub.pem"]', '["keys/packages.pub.pem", "keys/second.pub.pem"]'
    write(project, version="1.1.0", needs=">=1.0.0", log=True)
    build(imgseal, 17)
    for needs, log, status in ((">=1.2.0", False, 0), (">=1.2.0", True, 1), (">=1.1.0", True, 0)):
        write(project, version="1.2.0", needs=needs, log=log and not status)
        build(imgseal, 18)
        write(project, version="1.2.0", needs=needs, log=log)
        path = project / "imgseal.toml"
        path.write_text(path.read_text().replace(one, two))
        said = imgseal("sign", NEW, "--key", "keys/second.pem", "--out", f"{status}{log}.suit", "--yes")
        assert (said.status, "rules.requirement-not-met" in said.err) == (status, status == 1), said.err


def test_the_rehearsal_has_the_oldest_bootloader_of_the_log(imgseal: Imgseal, project: Path) -> None:
    write(project, version="1.1.0", needs=">=1.0.0", log=True)
    build(imgseal, 17)
    write(project, version="1.2.0", needs=">=1.2.0", log=False)
    build(imgseal, 18)
    write(project, version="1.2.0", needs=">=1.2.0", log=True)
    said = imgseal("rehearse", NEW, "--previous", OLD, "--pairs", "0")
    assert (said.status, "rules.requirement-not-met" in said.err) == (1, True)
    write(project, version="1.2.0", needs=">=1.1.0", log=True)
    build(imgseal, 19)
    said = imgseal("rehearse", "out-19/vent-drive-2.4.3-19.suit", "--previous", OLD, "--pairs", "0")
    assert said.status == 0, said.err
    assert f"on a device that runs {OLD}, with the oldest bootloader that is logged (1.1.0)" in said.out


def test_the_gate_asks_the_same(imgseal: Imgseal, project: Path) -> None:
    write(project, version="1.1.0", needs=">=1.0.0", log=True)
    build(imgseal, 17)
    write(project, version="1.2.0", needs=">=1.2.0", log=False)
    build(imgseal, 18)
    write(project, version="1.2.0", needs=">=1.2.0", log=True)
    said = imgseal("gate", "out-18")
    assert said.status == 1
    assert "rules.requirement-not-met" in said.out
    assert "rules.requirement-not-met" not in imgseal("gate", "out-18", "--fresh").out
    said = imgseal("gate", "out-18", "--previous", OLD)  # which has the numbers alone
    assert (said.status, "rules.requirement-not-met" in said.out) == (1, True)
