"""Devices without room for another set of trust anchors take none: no command makes one for them, or accepts it."""

from pathlib import Path

import pytest
from test_sign import add_key
from test_sign_later import replaced
from workshop import ALL, Imgseal, tree

SLOT = 'at = 0x0_D000\nsize = "8 KiB"                   # two erase blocks: what replaces a set is written beside it\nholds = "anchors"\n'
APEX = '[trust]\napex = "keys/apex.pub.pem"\n\n[trust.images]'
MAKE = ("trust", "replace", "--key", "keys/apex.pem", "--nothing-runs")
LACKING = {
    "no slot": (SLOT, SLOT.replace('holds = "anchors"\n', ""), "slot", "compiled into the bootloader"),
    "one block": (SLOT, SLOT.replace("8 KiB", "4 KiB"), "slot.anchors", "anchors of one erase block"),
}


@pytest.fixture
def apex(project: Path) -> Path:
    add_key(project, "keys/apex")
    replaced(project, "[trust.images]", APEX)
    return project


@pytest.mark.parametrize("what", LACKING)
def test_no_set_without_room(imgseal: Imgseal, apex: Path, what: str) -> None:
    old, new, key, words = LACKING[what]
    assert imgseal(*MAKE, "--out", "1.trust").status == 0
    assert imgseal("check", "1.trust").status == 0
    assert "for ever" not in imgseal("doctor").out
    replaced(apex, old, new)
    before = tree(apex)
    said = imgseal(*MAKE, "--out", "2.trust")
    assert (said.status, f", {key}: devices of this product cannot take" in said.err) == (2, True), said.err
    assert words in said.err
    assert tree(apex) == before
    said = imgseal("check", "1.trust")
    assert (said.status, "rules.fixed-anchors" in said.out, words in said.out) == (1, True, True), said.out
    said = imgseal("doctor")
    assert "devices keep their trust anchors for ever: " in said.out


def test_devices_are_what_the_log_says(imgseal: Imgseal, apex: Path) -> None:
    """A slot that today's product file adds is none that devices in the field have."""
    replaced(apex, SLOT, SLOT.replace('holds = "anchors"\n', ""))
    replaced(apex, "[trust]\n", '[log]\npath = "release.log"\n\n[trust]\n')
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "ab").status == 0
    replaced(apex, SLOT.replace('holds = "anchors"\n', ""), SLOT)
    said = imgseal(*MAKE, "--out", "1.trust")
    assert (said.status, "(entry 0 of release.log)" in said.err) == (2, True), said.err


def test_a_release_does_not_send_to_a_set(imgseal: Imgseal, apex: Path) -> None:
    """Where devices have no room for one, a key that they do not trust is a dead end, and the refusal says so."""
    replaced(apex, SLOT, SLOT.replace('holds = "anchors"\n', ""))
    replaced(apex, "[trust]\n", '[log]\npath = "release.log"\n\n[trust]\n')
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "ab").status == 0
    add_key(apex, "keys/other")
    text = (apex / "imgseal.toml").read_text()
    (apex / "imgseal.toml").write_text(text.replace("keys/packages.", "keys/other."))
    more = ("--set", "release.version=2.4.2", "--set", "release.sequence=18", "--revision", "ab")
    said = imgseal("build", *ALL, "--release", *more, "--out", "two")
    assert (said.status, "nothing can tell them of another key" in said.err) == (2, True), said.err
    assert "imgseal trust" not in said.err
