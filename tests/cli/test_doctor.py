"""`imgseal doctor`: what is missing is named with what mends it, and the mending mends."""

import os
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest
from test_linker_map import linked
from test_sign_later import replaced
from workshop import ALL, Imgseal, tree


@pytest.fixture
def project(project: Path) -> Path:
    """With what the production line needs beside packages."""
    (project / "firmware").mkdir()
    for name in ("bootloader.hex", "settings.bin"):
        (project / "firmware" / name).write_bytes(b"")
    return project


def test_a_good_project(imgseal: Imgseal, project: Path) -> None:
    for path in project.rglob("*.pem"):
        path.chmod(0o600)
    before = tree(project)
    said = imgseal("doctor", "--release")
    assert said.status == 0, said.out
    assert said.out.endswith("nothing is missing\n")
    assert "link it with FLASH (rx) : ORIGIN = 0x00020400, LENGTH = 0x4fc00" in said.out
    assert "keys/images.pem is not encrypted" in said.out
    assert tree(project) == before


def test_few_places_for_records(imgseal: Imgseal, project: Path) -> None:
    assert "places; each" not in imgseal("doctor").out
    replaced(project, 'size = "16 KiB"\nholds = "records"', 'size = "12 KiB"\nholds = "records"')
    said = imgseal("doctor").out
    assert "slot.records has 3 places" in said
    assert "at least 16384 bytes, 4 places" in said


def test_no_product_file(imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    said = imgseal("doctor")
    assert (said.status, "imgseal init" in said.out) == (1, True)


def test_a_product_file_with_a_mistake(imgseal: Imgseal, project: Path) -> None:
    replaced(project, 'version = "2.4.1"', 'version = "2.4"')
    said = imgseal("doctor")
    assert (said.status, "release.version" in said.out) == (1, True)


def test_mends_mend(imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fresh project without keys: every command that doctor names is run, until nothing is missing; then it builds."""
    for folder in ("keys", "keys-dev"):
        for path in (project / folder).iterdir():
            path.unlink()
    assert imgseal("doctor").status == 1
    monkeypatch.setenv("IMGSEAL_PASSPHRASE", "only for the test")
    for _ in range(10):
        said = imgseal("doctor", "--release")
        if said.status == 0:
            break
        lines = said.out.splitlines()
        first = next(i for i, line in enumerate(lines) if line.startswith("missing"))
        mend = lines[first + 1].strip().removeprefix("mend: ")
        program, *arguments = shlex.split(mend)
        assert program == "imgseal", mend
        assert imgseal(*arguments).status == 0, mend
    else:
        pytest.fail("something is still missing")
    assert imgseal("build", *ALL).status == 0
    assert imgseal("build", *ALL, "--release").status == 0


def test_what_is_missing(imgseal: Imgseal, project: Path) -> None:
    for path in project.rglob("*.pem"):
        path.chmod(0o600)
    (project / "keys/images.pem").unlink()
    (project / "keys/packages.pub.pem").unlink()
    at_a_desk = imgseal("doctor")
    assert at_a_desk.status == 0
    assert "note     signing.release.images: keys/images.pem is not there" in at_a_desk.out
    release = imgseal("doctor", "--release")
    assert (release.status, "2 missing" in release.out) == (1, True)
    assert "mend: imgseal key public keys/packages.pem --out keys/packages.pub.pem" in release.out
    (project / "keys-dev/images.pem").chmod(0o644)
    said = imgseal("doctor")
    assert (said.status, "mend: chmod 600 keys-dev/images.pem" in said.out) == (1, True)
    (project / ".git").mkdir()
    assert "version control would take private keys" in imgseal("doctor").out
    (project / ".gitignore").write_text("*.pem\n!*.pub.pem\n")
    assert "version control" not in imgseal("doctor").out


def test_a_token_without_a_module(imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("IMGSEAL_PKCS11_MODULE", raising=False)
    for path in project.rglob("*.pem"):
        path.chmod(0o600)
    replaced(project, 'images = "keys/images.pem"', 'images = "pkcs11:token=release;object=images"')
    said = imgseal("doctor", "--release")
    assert (said.status, "set IMGSEAL_PKCS11_MODULE" in said.out) == (1, True)
    monkeypatch.setenv("IMGSEAL_PKCS11_MODULE", os.devnull)
    assert imgseal("doctor", "--release").status == 0


def test_linker_maps(imgseal: Imgseal, project: Path, tmp_path: Path, tool: Callable[[str], str]) -> None:
    for path in project.rglob("*.pem"):
        path.chmod(0o600)
    folder = tmp_path / "linked"
    folder.mkdir()
    text, _ = linked(folder, tool("arm-none-eabi-gcc"))
    (project / "app.map").write_text(text)
    said = imgseal("doctor", "--map", "motor=app.map")
    assert (said.status, "app.map is linked for motor-a, 0." in said.out) == (0, True)
    (project / "long.map").write_text(text.replace("0x0004fc00", "0x00050000"))
    said = imgseal("doctor", "--map", "motor=long.map")
    assert (said.status, "1024 bytes longer than the slot" in said.out) == (1, True)
    said = imgseal("doctor", "--map", "radio=app.map")
    assert (said.status, "linked for no run slot" in said.out, "0x000c0400 (radio)" in said.out) == (1, True, True)
    for argument, status in (("motor", 2), ("motors=app.map", 2), ("motor=none.map", 3), ("motor=imgseal.toml", 3)):
        assert imgseal("doctor", "--map", argument).status == status


def test_the_release_log(imgseal: Imgseal, project: Path) -> None:
    """Not there yet, good, changed, and something else in its place."""
    path = project / "imgseal.toml"
    path.write_text(path.read_text() + '\n[log]\npath = "release.log"\n')
    assert "missing  log: release.log is not there" in doctor(imgseal)
    assert imgseal("log", "new").status == 0
    assert "ok       log: release.log, 0 entries" in doctor(imgseal)
    assert "note     no pin of the log" in doctor(imgseal)
    assert imgseal("build", *ALL, "--release", "--revision", "abcd").status == 0
    assert "ok       log: release.log, 1 entry, the last of 2.4.1 with sequence 17" in doctor(imgseal)
    log = project / "release.log"
    path.write_text(path.read_text().replace('path = "release.log"', 'path = "release.log"\npin = "release.head"'))
    assert "missing  log: release.head: the pin of the release log is not there" in doctor(imgseal)
    assert imgseal("log", "pin").status == 0
    assert "ok       log: release.log, 1 entry" in doctor(imgseal)
    assert "no pin of the log" not in doctor(imgseal)
    whole = log.read_bytes()
    log.write_bytes(b"")
    assert "missing  log: release.log: the release log is shorter than it was" in doctor(imgseal)
    log.write_bytes(whole)
    log.write_bytes(log.read_bytes().replace(b'"sequence":17', b'"sequence":18', 1))
    assert "missing  log: release.log:1: " in doctor(imgseal)
    log.unlink()
    log.mkdir()
    assert "missing  log: release.log: cannot read this release log" in doctor(imgseal)


def doctor(imgseal: Imgseal) -> str:
    return imgseal("doctor").out


def test_what_a_new_project_is_told(imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pair of keys that is missing is one thing, and one command makes it; the placeholder vendor is named."""
    monkeypatch.chdir(tmp_path)
    assert imgseal("init").status == 0
    said = doctor(imgseal)
    assert said.count("mend: imgseal key new --no-passphrase keys-dev/images.pem") == 1
    assert said.endswith("2 missing\n")
    assert "product.vendor is still vendor.example" in said
    assert '[trust] apex = "keys/apex.pub.pem"' in said
    replaced(tmp_path, 'vendor = "vendor.example"', 'vendor = "quillmoor.example"')
    assert "vendor.example, as" not in doctor(imgseal)


def test_a_private_key_that_others_hold(imgseal: Imgseal, project: Path) -> None:
    """Its public half is here, so a new pair would be another key: doctor and build say what there is to do."""
    (project / "keys/images.pem").unlink()
    words = 'put it there; or, if others hold it: signing.release.images = "keys/images.pub.pem" and imgseal build'
    assert words in doctor(imgseal)
    said = imgseal("build", *ALL, "--release", "--sign-later")
    assert said.status == 4
    assert words in said.err
    replaced(project, '"keys/images.pem"', '"keys/images.pub.pem"')
    assert imgseal("build", *ALL, "--release", "--sign-later").status == 0


def test_two_pass_phrases(imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each role may have a variable of its own; one that both share still serves both."""
    for role in ("images", "packages"):
        for path in (project / "keys").glob(f"{role}*"):
            path.unlink()
        monkeypatch.setenv("IMGSEAL_PASSPHRASE", f"of the {role}")
        assert imgseal("key", "new", f"keys/{role}.pem").status == 0
    said = imgseal("build", *ALL, "--release")
    assert (said.status, "IMGSEAL_PASSPHRASE_IMAGES" in said.err) == (4, True)
    monkeypatch.setenv("IMGSEAL_PASSPHRASE_IMAGES", "of the images")
    assert imgseal("build", *ALL, "--release").status == 0
    monkeypatch.delenv("IMGSEAL_PASSPHRASE")
    said = imgseal("build", *ALL, "--release")
    assert (said.status, "set IMGSEAL_PASSPHRASE or IMGSEAL_PASSPHRASE_PACKAGES" in said.err) == (4, True)
    monkeypatch.setenv("IMGSEAL_PASSPHRASE_PACKAGES", "of the packages")
    assert imgseal("build", *ALL, "--release").status == 0


@pytest.mark.parametrize(
    ("name", "key"), [("bootloader.hex", "factory.bootloader"), ("settings.bin", "factory.range (settings)")]
)
def test_a_file_for_the_production_line_is_missing(imgseal: Imgseal, project: Path, name: str, key: str) -> None:
    """For a release it is missing, at a desk it is a remark."""
    for path in project.rglob("*.pem"):
        path.chmod(0o600)
    (project / "firmware" / name).unlink()
    said = imgseal("doctor", "--release")
    assert (said.status, f"missing  {key}: firmware/{name} is not there" in said.out) == (1, True)
    said = imgseal("doctor")
    assert (said.status, f"note     {key}: firmware/{name} is not there" in said.out) == (0, True)
    replaced(project, 'bootloader = "firmware/bootloader.hex"\n', "")
    assert "factory.bootloader names none" in imgseal("doctor").out
