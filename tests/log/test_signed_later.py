"""Signatures that a package gets after it was released are in the log, and are found by their key."""

import json
from pathlib import Path

import pytest
from workshop import ALL, Imgseal, public_key, tree

LOG = '\n[log]\npath = "release.log"\n'
UNFINISHED = "out/vent-drive-2.4.1-17-unfinished.suit"


@pytest.fixture
def unfinished(project: Path, imgseal: Imgseal) -> Path:
    """A package that has one of two signatures."""
    imgseal("key", "new", "--no-passphrase", "keys/second.pem")
    path = project / "imgseal.toml"
    old = '[trust.packages]\nkeys = ["keys/packages.pub.pem"]'
    assert old in path.read_text()
    new = '[trust.packages]\nkeys = ["keys/packages.pub.pem", "keys/second.pub.pem"]\nneed = 2'
    path.write_text(path.read_text().replace(old, new) + LOG)
    assert imgseal("log", "new").status == 0
    said = imgseal("build", *ALL, "--release", "--revision", "abcd", "--unfinished")
    assert said.status == 0, said.err
    return project


def test_a_signature_is_an_entry(imgseal: Imgseal, unfinished: Path) -> None:
    said = imgseal("sign", UNFINISHED, "--key", "keys/second.pem", "--yes", "--out", "ship.suit")
    assert (said.status, "logged as entry 1 of release.log" in said.err) == (0, True), said.err
    second = imgseal("key", "show", "keys/second.pub.pem").out
    thumbprint = next(word for word in second.split() if len(word) == 64)
    release, added = [json.loads(line)["entry"] for line in (unfinished / "release.log").read_text().splitlines()]
    assert (added["kind"], added["entry"], added["keys"]) == ("signature", 0, [thumbprint[:32]])
    assert added["manifest"] == release["packages"][0]["manifest"]
    shown = imgseal("log", "show", "--key", thumbprint)
    assert "signature added to entry 0" in shown.out
    assert shown.err == "imgseal: 1 of 2 entries have a signature by this key\n"
    first = public_key("keys/packages").thumbprint.hex()
    assert imgseal("log", "show", "--key", first).out.split()[0] == "0"
    assert imgseal("log", "verify").status == 0
    assert imgseal("check", "ship.suit").status == 0


def test_what_the_log_does_not_hold_is_not_signed(imgseal: Imgseal, unfinished: Path) -> None:
    log = (unfinished / "release.log").read_bytes()
    sign = ("sign", UNFINISHED, "--key", "keys/second.pem", "--yes", "--out", "ship.suit")
    (unfinished / "release.log").write_bytes(b"")
    before = tree(unfinished)
    said = imgseal(*sign)
    assert (said.status, "does not hold this package" in said.err, tree(unfinished)) == (2, True, before)
    (unfinished / "release.log").unlink()
    said = imgseal(*sign)
    assert (said.status, "the release log is not there" in said.err) == (2, True)
    (unfinished / "release.log").write_bytes(log)
    said = imgseal(*sign[:-1], "imgseal.toml")
    assert said.status == 2
    assert tree(unfinished)["release.log"] == log


def test_old_entries_do_not_know_who_signed_later(imgseal: Imgseal, unfinished: Path) -> None:
    """Which is said, where a key is asked for."""
    from log_book import book

    (unfinished / "old.log").write_bytes(book(3)[0])
    err = imgseal("log", "show", "--log", "old.log", "--key", "00" * 16).err
    assert "none of 3 entries have" in err
    assert "the first 3 entries are of an older format" in err
