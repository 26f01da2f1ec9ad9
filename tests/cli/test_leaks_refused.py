"""`imgseal build` and `seal` refuse firmware with a private key in it, name the place, and write nothing."""

import hashlib
import json
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from soft_token import PIN, SoftToken
from workshop import ALL, Imgseal, private_key, tree

from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.make.leaks import LEAK_CODES

PEM = ec.generate_private_key(ec.SECP256R1()).private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
DER = ed25519.Ed25519PrivateKey.generate().private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
SCALAR = private_key("keys/packages").private_numbers().private_value.to_bytes(32)
PUBLISHED = bytes.fromhex("c9afa9d845ba75166b5c215767b1d6934e50c3db36e89b127b8a622b120f6721")  # RFC 6979 A.2.5


def put(project: Path, secret: bytes, at: int = 2000, name: str = "radio.bin") -> None:
    data = bytearray((project / name).read_bytes())
    data[at : at + len(secret)] = secret
    (project / name).write_bytes(data)


CASES = {
    "PEM": (PEM, "leak.private-key"),
    "DER": (DER, "leak.private-key"),
    "scalar": (SCALAR, "leak.signing-key"),
    "scalar, reversed": (SCALAR[::-1], "leak.signing-key"),
    "published": (PUBLISHED, "leak.published-key"),
}


@pytest.mark.parametrize("case", list(CASES))
@pytest.mark.parametrize("release", [True, False])
def test_build_refuses(case: str, release: bool, imgseal: Imgseal, project: Path) -> None:
    """Found at byte 2000 of a flat binary at 0xC0400; keys of the release are at hand in a release only."""
    secret, code = CASES[case]
    put(project, secret)
    before = tree(project)
    said = imgseal("build", *ALL, *(["--release"] if release else []))
    if code == "leak.signing-key" and not release:
        assert said.status == 0
        return
    assert said.status == 1
    assert said.err.startswith(f"imgseal: radio.bin, offset 2000, address 0x000c0bd0: {code}: {LEAK_CODES[code]}\n")
    assert "hint:" in said.err
    assert tree(project) == before


def test_seal_refuses(imgseal: Imgseal, project: Path) -> None:
    put(project, PEM, 100)
    said = imgseal("seal", "radio.bin@0xC0400", "--component", "radio", "--release", "--out", "r.bin")
    assert (said.status, "leak.private-key" in said.err) == (1, True)
    assert not (project / "r.bin").exists()


def test_hex_files_name_the_address(imgseal: Imgseal, project: Path) -> None:
    data = bytearray((project / "radio.bin").read_bytes())
    data[1000 : 1000 + len(DER)] = DER
    (project / "radio.hex").write_bytes(b"".join(write_intel_hex([(0xC0400, bytes(data))])))
    said = imgseal("seal", "radio.hex", "--component", "radio", "--release")
    assert said.err.startswith("imgseal: radio.hex, offset 1000, address 0x000c07e8: leak.private-key")


def test_an_allowance_names_the_key_and_only_that(imgseal: Imgseal, project: Path) -> None:
    put(project, DER)
    said = imgseal("build", *ALL, "--release")
    digest = hashlib.sha256(DER).hexdigest()
    assert f'[[component.radio.allowed_key]] sha256 = "{digest}", reason = "..."' in said.err
    text = (project / "imgseal.toml").read_text()
    (project / "imgseal.toml").write_text(
        text + f'\n[[component.radio.allowed_key]]\nsha256 = "{digest}"\nreason = "TLS key of the test bench"\n'
    )
    assert imgseal("build", *ALL, "--release").status == 0
    put(project, PEM, 1000)
    again = imgseal("build", *ALL, "--release")
    assert (again.status, "PEM file (PRIVATE KEY)" in again.err) == (1, True)


def test_a_signing_key_is_never_allowed(imgseal: Imgseal, project: Path) -> None:
    put(project, SCALAR)
    digest = hashlib.sha256(SCALAR).hexdigest()
    text = (project / "imgseal.toml").read_text()
    (project / "imgseal.toml").write_text(
        text + f'\n[[component.radio.allowed_key]]\nsha256 = "{digest}"\nreason = "by mistake"\n'
    )
    said = imgseal("build", *ALL, "--release")
    assert (said.status, "leak.signing-key" in said.err, "make a new key" in said.err) == (1, True, True)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ('sha256 = "12"\nreason = "x"', "64 hex digits"),
        (f'sha256 = "{"g" * 64}"\nreason = "x"', "64 hex digits"),
        (f'sha256 = "{"0" * 64}"', "reason"),
        (f'sha256 = "{"0" * 64}"\nreason = ""', "reason"),
        ('reason = "x"', "sha256"),
        (f'sha256 = "{"0" * 64}"\nreason = "x"\nwhy = "y"', "unknown key"),
    ],
)
def test_allowances_that_say_too_little(more: str, words: str, imgseal: Imgseal, project: Path) -> None:
    text = (project / "imgseal.toml").read_text()
    (project / "imgseal.toml").write_text(f"{text}\n[[component.radio.allowed_key]]\n{more}\n")
    said = imgseal("build", *ALL, "--release")
    assert (said.status, words in said.err) == (2, True), said.err


def test_images_that_are_sealed_already_are_looked_through(imgseal: Imgseal, project: Path) -> None:
    """Sealed under an allowance that is gone since: the offset is that of the sealed file."""
    put(project, DER)
    text = (project / "imgseal.toml").read_text()
    digest = hashlib.sha256(DER).hexdigest()
    allowance = f'\n[[component.radio.allowed_key]]\nsha256 = "{digest}"\nreason = "for now"\n'
    (project / "imgseal.toml").write_text(text + allowance)
    assert imgseal("build", *ALL, "--release").status == 0
    (project / "imgseal.toml").write_text(text)
    again = imgseal("build", *ALL[:2], "radio=out/radio.sealed.bin", ALL[3], "--release", "--out", "next")
    assert again.status == 1
    assert again.err.startswith("imgseal: out/radio.sealed.bin, offset 3024, address 0x000c0bd0: leak.private-key")
    assert (project / "out" / "radio.sealed.bin").read_bytes()[3024:].startswith(DER)


def test_keys_in_tokens_show_nothing_to_look_for(
    imgseal: Imgseal, project: Path, token: SoftToken, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files and published keys are found all the same."""
    monkeypatch.setenv("IMGSEAL_PIN", PIN)
    text = (project / "imgseal.toml").read_text()
    text = text.replace('images = "keys/images.pem"', 'images = "pkcs11:token=release;object=images"')
    (project / "imgseal.toml").write_text(text)
    put(project, PUBLISHED[::-1])
    said = imgseal("seal", "radio.bin@0xC0400", "--component", "radio", "--release")
    assert (said.status, "leak.published-key" in said.err) == (1, True), said.err


def test_the_demo_and_release_json_say_nothing_of_it(imgseal: Imgseal, project: Path) -> None:
    """What is built without a finding looks as before."""
    assert imgseal("build", *ALL, "--release").status == 0
    assert "leak" not in json.dumps(json.loads((project / "out" / "release.json").read_text()))
