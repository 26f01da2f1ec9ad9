"""The device profile on the command line: what build makes is inside; another verifier is named in the product file."""

from pathlib import Path

import pytest
from workshop import Imgseal, tree

from imgseal.demo.scenario import product_text
from imgseal.suit import labels
from imgseal.suit.envelope import decode_envelope

ONE = ("radio=radio.bin@0xC0400", "--release", "--out")
LONG = "radio-" + "x" * 58


def with_verifier(text: str) -> str:
    return text.replace("[rules]\n", '[rules]\nverifier = "one of their own"\n')


@pytest.mark.parametrize("files", [ONE[:1], ("phrases=phrases.bin@0x60080400",), ("motor=motor-a.hex",)])
def test_a_release_of_one_component_is_inside(files: tuple[str, ...], imgseal: Imgseal, project: Path) -> None:
    """The short install sequence is severed like a long one."""
    assert imgseal("build", *files, *ONE[1:], "out").status == 0
    package = next((project / "out").glob("*.suit"))
    assert set(decode_envelope(package.read_bytes()).severed) == {labels.INSTALL, labels.TEXT}
    said = imgseal("check", str(package))
    assert "outside" not in said.out + said.err


def test_what_no_device_has_a_table_for_is_not_made(imgseal: Imgseal, project: Path) -> None:
    """A payload's key is # and the slot's name, of 64 characters at most on devices."""
    text = product_text().replace('"radio"]', f'"{LONG}"]').replace("[slot.radio]", f"[slot.{LONG}]")
    (project / "imgseal.toml").write_text(text)
    before = tree(project)
    said = imgseal("build", *ONE, "out")
    assert said.status == 2
    for words in ("outside the device profile at envelope", "64 visible ASCII", LONG, "imgseal.toml", "rules.verifier"):
        assert words in said.err
    assert tree(project) == before
    (project / "imgseal.toml").write_text(with_verifier(text))
    assert imgseal("build", *ONE, "out").status == 0
    package = next((project / "out").glob("*.suit"))
    said = imgseal("check", str(package))
    assert "outside the device profile at envelope" in said.out
    assert "one of their own" in said.out


def test_device_code_says_that_the_devices_have_another_verifier(imgseal: Imgseal, project: Path) -> None:
    assert "note" not in imgseal("device-code", "seal").out
    (project / "imgseal.toml").write_text(with_verifier(product_text()))
    said = imgseal("device-code", "seal")
    assert said.status == 0
    assert "another verifier (one of their own)" in said.out
