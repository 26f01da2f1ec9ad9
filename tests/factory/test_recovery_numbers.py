"""Recovery images have numbers of their own in the release log, and what is built so is accepted by whoever judges it."""

import json
from pathlib import Path

import pytest
from test_factory_command import LOG, line  # noqa: F401 - a fixture
from workshop import ALL, Imgseal, tree

OTHERS = [each for each in ALL if not each.startswith("recovery")]
RECOVERY = ("build", "recovery=recovery.hex", "--release", "--revision", "abcd")

NEW = "new.suit"


def numbers(version: str, sequence: int) -> tuple[str, ...]:
    return ("--set", f"release.version={version}", "--set", f"release.sequence={sequence}", "--out", f"own-{sequence}")


@pytest.fixture
def logged(imgseal: Imgseal, line: Path) -> Path:  # noqa: F811
    """A log whose releases are at 17, and recovery images at 1 and 2."""
    with (line / "imgseal.toml").open("a") as file:
        file.write(LOG)
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *OTHERS, "--release", "--revision", "abcd").status == 0
    assert imgseal(*RECOVERY, *numbers("1.0.0", 1)).status == 0
    assert imgseal(*RECOVERY, *numbers("1.1.0", 2)).status == 0
    return line


@pytest.mark.parametrize("asked", [
    ("check", "own-2/vent-drive-1.1.0-2.suit"), ("gate", "own-2"), ("gate", "out", "own-2"),
    ("gate", "--previous", "out/vent-drive-2.4.1-17.suit", "own-2"),
    ("report", "own-2/vent-drive-1.1.0-2.suit", "--out", "page.html"),
])  # fmt: skip
def test_the_last_one_is_accepted(imgseal: Imgseal, logged: Path, asked: tuple[str, ...]) -> None:
    said = imgseal(*asked)
    assert said.status == 0, said.out + said.err


@pytest.mark.parametrize("asked", [("check", "own-1/vent-drive-1.0.0-1.suit"), ("gate", "own-1")])
def test_the_one_before_is_not(imgseal: Imgseal, logged: Path, asked: tuple[str, ...]) -> None:
    said = imgseal(*asked)
    assert (said.status, "rollback.sequence-too-low" in said.out) == (1, True), said.out + said.err


@pytest.fixture
def delivered(imgseal: Imgseal, logged: Path) -> str:
    """A delivery of a third one, of which all is another image."""
    lines = (logged / "recovery.hex").read_text().splitlines()
    at = next(n for n, each in enumerate(lines) if each[7:9] == "00" and n > len(lines) // 2)
    data = bytearray.fromhex(lines[at][1:-2])
    data[-1] ^= 1
    lines[at] = ":" + data.hex().upper() + f"{-sum(data) & 0xFF:02X}"
    (logged / "recovery.hex").write_text("\n".join(lines) + "\n")
    assert imgseal(*RECOVERY, *numbers("1.2.0", 3)).status == 0
    said = imgseal("deliver", "own-3/vent-drive-1.2.0-3.suit", "--from", "own-2/vent-drive-1.1.0-2.suit", "--out", NEW)
    assert said.status == 0, said.err
    return NEW


@pytest.mark.parametrize("asked", [
    ("check", NEW), ("gate", NEW), ("report", NEW, "--out", "page.html"),
    ("check", NEW, "--archive", "own-2"), ("gate", NEW, "--archive", "own-2"),
])  # fmt: skip
def test_a_delivery_of_the_last_one_is_accepted(imgseal: Imgseal, delivered: str, asked: tuple[str, ...]) -> None:
    """By the numbers of the release in it."""
    said = imgseal(*asked)
    assert said.status == 0, said.out + said.err


@pytest.mark.parametrize("command", ["check", "gate"])
def test_a_delivery_of_the_one_before_is_not(imgseal: Imgseal, delivered: str, command: str) -> None:
    assert imgseal(*RECOVERY, *numbers("1.3.0", 4)).status == 0
    said = imgseal(command, delivered)
    assert (said.status, "rollback.sequence-too-low" in said.out) == (1, True), said.out + said.err
    assert "above 4" in said.out or "4 or above" in said.out, said.out


def test_a_release_does_not_go_by_them(imgseal: Imgseal, logged: Path) -> None:
    """A package of the other images, with a number above that of the recovery images and below that of the releases."""
    said = imgseal("build", *OTHERS, "--release", "--revision", "abcd", *numbers("2.4.2", 3))
    assert (said.status, "above 17" in said.err) == (2, True), said.err


def test_factory_programs_what_the_log_has(imgseal: Imgseal, logged: Path) -> None:
    """A package that another log has bears good signatures, and no device of this line is made with it."""
    packages = ("out/vent-drive-2.4.1-17.suit", "own-2/vent-drive-1.1.0-2.suit")
    assert imgseal("factory", *packages).status == 0
    product = logged / "imgseal.toml"
    mine = product.read_text()
    product.write_text(mine.replace('"release.log"', '"other.log"'))
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *OTHERS, "--release", "--revision", "abcd", *numbers("2.5.0", 19)).status == 0
    product.write_text(mine)
    before = tree(logged)
    said = imgseal("factory", "own-19/vent-drive-2.5.0-19.suit", packages[1])
    assert (said.status, "gate.not-logged" in said.err) == (1, True), said.out + said.err
    assert tree(logged) == before


def test_a_recovery_package_alone_is_no_release(imgseal: Imgseal, logged: Path) -> None:
    said = imgseal("factory", "own-2/vent-drive-1.1.0-2.suit")
    assert (said.status, "no package brings motor" in said.err) == (2, True), said.err
    said = imgseal("factory", "own-2/vent-drive-1.1.0-2.suit", "out/vent-drive-2.4.1-17.suit")
    assert (said.status, "the first package is not the release" in said.err) == (2, True), said.err


@pytest.mark.parametrize("sequence", [16, 17, 40])
def test_the_release_is_first_whatever_number_recovery_has(imgseal: Imgseal, logged: Path, sequence: int) -> None:
    """The device's record has the numbers of the release: with those of recovery images it would refuse what follows."""
    release, recovery = "out/vent-drive-2.4.1-17.suit", f"own-{sequence}/vent-drive-1.2.0-{sequence}.suit"
    assert imgseal(*RECOVERY, *numbers("1.2.0", sequence)).status == 0
    before = tree(logged)
    said = imgseal("factory", recovery, release)
    assert (said.status, "the first package is not the release" in said.err) == (2, True), said.err
    assert f"nothing else behind {recovery}, which has recovery images alone" in said.err
    assert tree(logged) == before
    assert imgseal("factory", release, recovery).status == 0
    assert json.loads((logged / "factory" / "factory.json").read_text())["sequence"] == 17
