"""The device profile on the command line: what build makes is inside; another verifier is named in the product file."""

import json
from pathlib import Path

import pytest
from workshop import Imgseal, detached_radio, tree

from imgseal.formats.suit import labels
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.product.starter import product_text

ONE = ("radio=radio.bin@0xC0400", "--release", "--out")
LONG = "radio-" + "x" * 58


def with_verifier(text: str) -> str:
    return text.replace("[rules]\n", '[rules]\nverifier = "one of their own"\n')


@pytest.mark.parametrize(
    "files", [ONE[:1], ("phrases=phrases.bin@0x60080400",), ("motor=motor-a.hex", "motor=motor-b.hex")]
)
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
    assert "another verifier" not in imgseal("device-code", "seal").out
    (project / "imgseal.toml").write_text(with_verifier(product_text()))
    said = imgseal("device-code", "seal")
    assert said.status == 0
    assert "another verifier (one of their own)" in said.out


def test_a_key_holder_sees_that_the_exported_device_code_would_refuse(imgseal: Imgseal, project: Path) -> None:
    """The request names the other verifier: the screen says so, and the signer's own product file has the last word."""
    text = product_text().replace('"radio"]', f'"{LONG}"]').replace("[slot.radio]", f"[slot.{LONG}]")
    text = text.replace('packages = "keys/packages.pem"', 'packages = "keys/packages.pub.pem"')
    (project / "vault").mkdir()
    (project / "keys" / "packages.pem").rename(project / "vault" / "packages.pem")
    (project / "imgseal.toml").write_text(with_verifier(text))
    said = imgseal("build", *ONE, "out", "--sign-later")
    assert said.status == 0, said.err
    request = said.out.split()[-1]
    assert json.loads(Path(request).read_text())["items"][0]["verifier"] == "one of their own"
    sign = ("sign", request, "--key", "vault/packages.pem", "--yes", "--out")
    for other in (text, with_verifier(text).replace("of their own", "of ours")):
        (project / "imgseal.toml").write_text(other)
        said = imgseal(*sign, "response.json")
        assert said.status != 0
        for words in ("another verifier than rules.verifier of imgseal.toml", "one of their own", "--product FILE"):
            assert words in said.err
    (project / "imgseal.toml").unlink()
    for response in ("alone.json", "response.json"):  # first without a product file
        said = imgseal(*sign, response)
        assert said.status == 0, said.err
        for words in ("look at this first: outside the device profile at", "64 visible ASCII", "one of their own"):
            assert words in said.err
        (project / "imgseal.toml").write_text(with_verifier(text))
    images = [f"{LONG[:5]}={path}" for path in (project / "out").glob("*.sealed.bin")]
    said = imgseal("finish", request, *images, "--response", "response.json")
    assert said.status == 0, said.err
    assert "outside the device profile" in imgseal("check", said.out.split()[-1]).out


def test_a_request_is_held_to_the_signer_s_own_product_file(imgseal: Imgseal, project: Path) -> None:
    """What no manifest says by itself: that the devices keep the radio's header apart."""
    text = product_text()
    (project / "imgseal.toml").write_text(
        text.replace('packages = "keys/packages.pem"', 'packages = "keys/packages.pub.pem"')
    )
    request = imgseal("build", *ONE, "out", "--sign-later").out.split()[-1]
    (project / "own.toml").write_text(detached_radio(text))
    before = tree(project)
    said = imgseal("sign", request, "--key", "keys/packages.pem", "--yes", "--product", "own.toml")
    assert said.status != 0
    for words in ("outside the device profile of own.toml", "items[0].manifest.common.components", "--variant NAME"):
        assert words in said.err, said.err
    assert tree(project) == before
    assert imgseal("sign", request, "--key", "keys/packages.pem", "--yes").status == 0


def test_a_request_names_no_verifier_where_the_device_code_would_do(imgseal: Imgseal, project: Path) -> None:
    """A product may name another verifier and make what every device reads: nobody is alarmed."""
    text = with_verifier(product_text())
    (project / "imgseal.toml").write_text(
        text.replace('packages = "keys/packages.pem"', 'packages = "keys/packages.pub.pem"')
    )
    request = imgseal("build", *ONE, "out", "--sign-later").out.split()[-1]
    assert "verifier" not in json.loads(Path(request).read_text())["items"][0]
    said = imgseal("sign", request, "--key", "keys/packages.pem", "--yes")
    assert said.status == 0, said.err
    assert "look at this first" not in said.err
