"""`sign PACKAGE`, several signers, and the days that keys are good on."""

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from test_sign_later import replaced
from workshop import ALL, Imgseal, private_key, tree

from imgseal.formats.cose.sign1 import take_apart, to_be_signed
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.keys.pem import encode_private, encode_public
from imgseal.keys.signer import FileSigner
from imgseal.make import add_signature

UNFINISHED = "out/vent-drive-2.4.1-17-unfinished.suit"


def add_key(project: Path, name: str) -> None:
    private = private_key(name)
    (project / f"{name}.pem").write_bytes(encode_private(private, None))
    (project / f"{name}.pem").chmod(0o600)
    (project / f"{name}.pub.pem").write_bytes(encode_public(FileSigner(private, name).public))


@pytest.fixture
def three(project: Path) -> Path:
    """Two of three keys have to sign packages."""
    for name in ("keys/second", "keys/third"):
        add_key(project, name)
    replaced(
        project,
        'keys = ["keys/packages.pub.pem"]',
        'keys = ["keys/packages.pub.pem", "keys/second.pub.pem", "keys/third.pub.pem"]\nneed = 2',
    )
    return project


def test_two_of_three(imgseal: Imgseal, three: Path, tool: Callable[[str], str]) -> None:
    """What was tested is what ships: payloads and manifest stay, the wrapper has one block more."""
    before = tree(three)
    said = imgseal("build", *ALL, "--release")
    assert (said.status, "trust.too-few-signatures" in said.err, tree(three)) == (1, True, before)
    assert "imgseal sign" in said.err
    assert imgseal("build", *ALL, "--release", "--unfinished").out.splitlines()[-1] == UNFINISHED
    said = imgseal("check", UNFINISHED)
    assert (said.status, "trust.too-few-signatures" in said.out) == (1, True)
    said = imgseal("sign", UNFINISHED, "--key", "keys/second.pem", "--out", "ship.suit", "--yes")
    assert (said.status, said.out) == (0, "ship.suit\n")
    assert "motor 2.4.1 for motor-a, motor-b" in said.err
    assert imgseal("check", "ship.suit").status == 0
    old, new = (three / UNFINISHED).read_bytes(), (three / "ship.suit").read_bytes()
    block = decode_envelope(new).blocks[-1]
    assert take_apart(block).algorithm == -9
    assert decode_envelope(new).blocks[:-1] == decode_envelope(old).blocks
    value = take_apart(block).signature
    (three / "signed").write_bytes(to_be_signed(take_apart(block).protected, decode_envelope(new).digest_bytes))
    (three / "der").write_bytes(encode_dss_signature(int.from_bytes(value[:32]), int.from_bytes(value[32:])))
    command = [tool("openssl"), "dgst", "-sha256", "-verify", "keys/second.pub.pem", "-signature", "der", "signed"]
    assert subprocess.run(command, capture_output=True, text=True, check=True).stdout == "Verified OK\n"
    # the one block, its head, and nothing else
    assert len(new) - len(old) == len(block) + 2
    manifest = decode_envelope(old).manifest
    assert new[new.index(manifest) :] == old[old.index(manifest) :]
    # a third one is welcome as well
    assert imgseal("sign", "ship.suit", "--key", "keys/third.pem", "--out", "three.suit", "--yes").status == 0
    assert imgseal("check", "three.suit").status == 0


def test_three_of_three_says_what_is_missing(imgseal: Imgseal, three: Path) -> None:
    replaced(three, "need = 2", "need = 3")
    imgseal("build", *ALL, "--release", "--unfinished")
    said = imgseal("sign", UNFINISHED, "--key", "keys/second.pem", "--out", "two.suit", "--yes")
    assert (
        said.status,
        "not finished: fewer trusted keys have signed than are needed: 3 distinct keys" in said.err,
    ) == (0, True)
    assert imgseal("check", "two.suit").status == 1
    assert imgseal("sign", "two.suit", "--key", "keys/third.pem", "--out", "ship.suit", "--yes").status == 0
    assert imgseal("check", "ship.suit").status == 0


def test_both_keys_at_hand(imgseal: Imgseal, three: Path) -> None:
    """Keys that are named together sign together, and in whichever order they are named, the bytes are the same."""
    replaced(three, 'packages = "keys/packages.pem"', 'packages = ["keys/packages.pem", "keys/second.pem"]')
    before = tree(three)
    said = imgseal("build", *ALL, "--release", "--unfinished")
    assert (said.status, "nothing is missing" in said.err, tree(three)) == (2, True, before)
    assert imgseal("build", *ALL, "--release").status == 0
    first = (three / "out/vent-drive-2.4.1-17.suit").read_bytes()
    replaced(three, '["keys/packages.pem", "keys/second.pem"]', '["keys/second.pem", "keys/packages.pem"]')
    assert imgseal("build", *ALL, "--release").status == 0
    assert (three / "out/vent-drive-2.4.1-17.suit").read_bytes() == first
    replaced(three, '["keys/second.pem", "keys/packages.pem"]', '["keys/second.pem", "./keys/second.pem"]')
    said = imgseal("build", *ALL, "--release")
    assert (said.status, "stands here twice" in said.err) == (4, True)


def test_images_by_two_keys(imgseal: Imgseal, project: Path) -> None:
    add_key(project, "keys/second")
    replaced(
        project, 'keys = ["keys/images.pub.pem"]', 'keys = ["keys/images.pub.pem", "keys/second.pub.pem"]\nneed = 2'
    )
    assert imgseal("build", *ALL, "--release").status == 1
    replaced(project, 'images = "keys/images.pem"', 'images = ["keys/images.pem", "keys/second.pem"]')
    said = imgseal("build", *ALL, "--release")
    assert said.status == 0, said.err
    assert imgseal("check", "out/radio.sealed.bin").status == 0


def test_what_is_refused(imgseal: Imgseal, three: Path) -> None:
    imgseal("build", *ALL, "--release", "--unfinished")
    imgseal("build", *ALL)
    add_key(three, "keys/stranger")
    before = tree(three)
    for arguments, status, words in (
        (("--key", "keys/packages.pem", "--out", "x"), 2, "has signed the package already"),
        (("--key", "keys/stranger.pem", "--out", "x"), 4, "would not count this key"),
        (("--key", "keys/images.pem", "--out", "x"), 4, "would not count this key"),
        (("--key", "keys/second.pub.pem", "--out", "x"), 4, "no private key"),
        (("--key", "keys/none.pem", "--out", "x"), 4, "cannot read the signing key"),
        (("--key", "keys/second.pem"), 2, "--out"),
        (("--key", "keys/second.pem", "--out", UNFINISHED), 2, "overwrite"),
    ):
        said = imgseal("sign", UNFINISHED, *arguments, "--yes")
        assert (said.status, words in said.err) == (status, True), said.err
    said = imgseal("sign", UNFINISHED, "--key", "keys/second.pem", "--out", "x")
    assert (said.status, "nobody to ask" in said.err) == (2, True)
    desk = "out/vent-drive-2.4.1-17-development.suit"
    assert imgseal("sign", desk, "--key", "keys/second.pem", "--out", "x", "--yes").status == 1
    sealed = imgseal("sign", "out/radio.sealed.bin", "--key", "keys/second.pem", "--out", "x", "--yes")
    assert (sealed.status, "none can be added" in sealed.err) == (2, True)
    spoiled = bytearray((three / UNFINISHED).read_bytes())
    spoiled[-1] ^= 1
    assert tree(three) == before
    (three / "spoiled.suit").write_bytes(spoiled)
    said = imgseal("sign", "spoiled.suit", "--key", "keys/second.pem", "--out", "x", "--yes")
    assert (said.status, "digest." in said.err, (three / "x").exists()) == (1, True, False)


def test_days(imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`from` and `until` count for the tool's own judgement: when a release is made, and as of a day."""
    for role in ("images", "packages"):
        replaced(
            project,
            f'keys = ["keys/{role}.pub.pem"]',
            f'keys = [{{ key = "keys/{role}.pub.pem", from = 2025-06-01, until = 2026-05-31 }}]',
        )
    assert imgseal("build", *ALL, "--release").status == 0  # on 2025-11-25, the test project's build time
    package = "out/vent-drive-2.4.1-17.suit"
    for day, status in (("2025-05-31", 1), ("2025-06-01", 0), ("2026-05-31", 0), ("2026-06-01", 1)):
        for artefact in (package, "out/radio.sealed.bin"):
            said = imgseal("check", artefact, "--as-of", day)
            assert (day, said.status) == (day, status)
            assert ("trust.key-not-in-force" in said.out) == (status == 1)
            assert f"for a fresh device on {day}" in said.out
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1780272000")  # 2026-06-01
    before = tree(project)
    for command in (("build", *ALL), ("seal", "motor-a.hex", "--component", "motor"), ("pack", "out/radio.sealed.bin")):
        said = imgseal(*command, "--release")
        assert (said.status, "trust.key-not-in-force" in said.err, tree(project)) == (1, True, before), said.err
    for day in ("2026-02-30", "tomorrow", "2026-2-3", ""):
        said = imgseal("check", package, "--as-of", day)
        assert (said.status, "no day" in said.err) == (2, True)


def test_no_dates_no_day(imgseal: Imgseal, project: Path) -> None:
    imgseal("build", *ALL, "--release")
    assert "for a fresh device: " in imgseal("check", "out/radio.sealed.bin", "--as-of", "2025-01-01").out


def test_the_old_command_answers_with_the_new_one(imgseal: Imgseal, three: Path) -> None:
    assert imgseal("build", *ALL, "--release", "--unfinished").status == 0
    said = imgseal("endorse", UNFINISHED, "--key", "keys/second.pem", "--out", "ship.suit", "--yes")
    assert (said.status, said.out) == (0, "ship.suit\n")
    assert said.err.startswith("imgseal: imgseal endorse is called imgseal sign now\n")
    assert imgseal("check", "ship.suit").status == 0
    assert "endorse" not in imgseal("--help").out


def test_what_signing_makes_is_judged(imgseal: Imgseal, three: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A package that a signature spoils does not leave the house."""
    imgseal("build", *ALL, "--release", "--unfinished")
    whole = add_signature.add_signature
    monkeypatch.setattr(add_signature, "add_signature", lambda *arguments: iter([*whole(*arguments), b"\0"]))
    before = tree(three)
    said = imgseal("sign", UNFINISHED, "--key", "keys/second.pem", "--out", "ship.suit", "--yes")
    assert (said.status, "the signed package" in said.err) == (1, True), said.err
    assert tree(three) == before
