"""A log that is missing, cut off or another one is refused by every release, whatever it is noticed by."""

import fcntl
import hashlib
import json
import os
from pathlib import Path

import pytest
from workshop import ALL, Imgseal, tree

from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.named_bill import witness_of
from imgseal.log import keep_command
from imgseal.workspace import verified_log
from imgseal.workspace.staging import Output

LOG = '\n[log]\npath = "release.log"\npin = "release.head"\n'
EMPTY = "0:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


@pytest.fixture
def kept(project: Path, imgseal: Imgseal) -> Path:
    """A project whose log has been begun."""
    path = project / "imgseal.toml"
    path.write_text(path.read_text().replace("sequence = 17", 'sequence = "next"') + LOG)
    assert imgseal("log", "new").out == "release.log\nrelease.head\n"
    return project


def release(imgseal: Imgseal, version: str, *more: str, status: int = 0) -> str:
    numbers = ("--set", f"release.version={version}", "--revision", "abcd", "--out", version)
    said = imgseal("build", *ALL, "--release", *numbers, *more)
    assert said.status == status, said.err
    return said.err


def witness(project: Path, version: str) -> str | None:
    (package,) = (project / version).glob("*.suit")
    return witness_of(decode_envelope(package.read_bytes()))


def test_a_log_is_begun_once(imgseal: Imgseal, kept: Path) -> None:
    assert (kept / "release.log").read_bytes() == b""
    assert (kept / "release.head").read_text() == f"{EMPTY}\n"
    before = tree(kept)
    said = imgseal("log", "new")
    assert (said.status, "begun once" in said.err) == (2, True)
    (kept / "release.log").unlink()
    said = imgseal("log", "new")  # the pin is there still
    assert (said.status, "release.head" in said.err, (kept / "release.log").exists()) == (2, True, False)
    assert tree(kept) == {name: data for name, data in before.items() if name != "release.log"}


@pytest.mark.parametrize("command", ["build", "pack", "later"])
def test_nothing_is_released_without_the_log(imgseal: Imgseal, kept: Path, command: str) -> None:
    release(imgseal, "2.4.1")
    (kept / "release.log").rename(kept / "elsewhere")
    before = tree(kept)
    arguments: dict[str, tuple[str, ...]] = {
        "build": ("build", *ALL), "later": ("build", *ALL, "--sign-later"),
        "pack": ("pack", *map(str, sorted((kept / "2.4.1").glob("*.sealed.bin")))),
    }  # fmt: skip
    said = imgseal(*arguments[command], "--release", "--set", "release.version=2.4.2")
    assert said.status == 2
    assert "the release log is not there" in said.err
    assert "imgseal log new begins one" in said.err
    assert tree(kept) == before


def test_a_desk_build_needs_no_log(imgseal: Imgseal, kept: Path) -> None:
    release(imgseal, "2.4.1")
    assert imgseal("build", *ALL).out.splitlines()[-1] == "out/vent-drive-2.4.1-2-development.suit"
    (kept / "release.log").unlink()
    assert imgseal("build", *ALL).out.splitlines()[-1] == "out/vent-drive-2.4.1-1-development.suit"


def test_a_log_that_is_shorter_than_its_pin(imgseal: Imgseal, kept: Path) -> None:
    release(imgseal, "2.4.1")
    release(imgseal, "2.4.2")
    head = imgseal("log", "verify").out.splitlines()[-1].removeprefix("head ")
    assert imgseal("log", "pin").out == f"release.head: {head}\n"
    whole = (kept / "release.log").read_bytes()
    first = whole.splitlines(keepends=True)[0]
    other = first.replace(b'"tool":"', b'"tool":"1', 1)
    for cut, words in ((b"", "shorter than it was"), (first, "shorter than it was"), (other, "does not continue")):
        (kept / "release.log").write_bytes(cut)
        before = tree(kept)
        err = release(imgseal, "2.4.3", status=1)
        assert words in err
        assert imgseal("log", "pin").status == 1
        assert imgseal("log", "withdraw", "0", "--why", "a test").status == 1
        assert tree(kept) == before
    (kept / "release.log").write_bytes(b"")
    (kept / "release.head").write_text(f"{EMPTY}\n")
    for version in ("2.4.1", "2.4.5", "2.4.6"):  # another log, which holds in itself
        release(imgseal, version, "--out", f"other-{version}")
    (kept / "release.head").write_text(f"{head}\n")
    assert "this is not the release log that it was" in release(imgseal, "2.4.7", status=1)
    (kept / "release.log").write_bytes(whole)
    release(imgseal, "2.4.3")


def test_a_pin_that_is_written_meanwhile(imgseal: Imgseal, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who reads the log while another release is added and pinned has it as it was: no older log is taken for cut."""
    release(imgseal, "2.4.1")
    read = verified_log.verified_log
    inside: list[verified_log.VerifiedLog] = []

    def read_slowly(path: str) -> verified_log.VerifiedLog:
        log = read(path)
        if not inside:
            inside.append(log)
            release(imgseal, "2.4.2", "--out", "meanwhile")
            assert imgseal("log", "pin").status == 0
        return log

    monkeypatch.setattr(verified_log, "verified_log", read_slowly)
    release(imgseal, "2.4.3")
    assert len(inside) == 1
    assert "3 entries hold" in imgseal("log", "verify", "--against", "release.head").out


def test_two_pins_at_once_never_go_back(imgseal: Imgseal, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody adds or pins between what is read of the log and what is written to the pin."""
    release(imgseal, "2.4.1")
    tried = []

    def write(outputs: list[Output]) -> None:
        with open(kept / "release.log") as log, pytest.raises(BlockingIOError):
            fcntl.flock(log, fcntl.LOCK_EX | fcntl.LOCK_NB)
        tried.append(outputs[0].path)

    monkeypatch.setattr(keep_command, "write_all", write)
    assert imgseal("log", "pin").status == 0
    assert tried == ["release.head"]


@pytest.mark.parametrize(("content", "words"), [(None, "the pin of the release log is not there"), ("x", "no head")])
def test_a_pin_that_says_nothing(imgseal: Imgseal, kept: Path, content: str | None, words: str) -> None:
    pin = kept / "release.head"
    pin.unlink()
    if content is not None:
        pin.write_text(content)
    before = tree(kept)
    assert words in release(imgseal, "2.4.1", status=2)
    assert tree(kept) == before


def test_a_package_is_a_witness(imgseal: Imgseal, kept: Path) -> None:
    """It carries the head of the log before it, in what is signed; the log is held against it."""
    heads = [EMPTY]
    for version in ("2.4.1", "2.4.2", "2.4.3"):
        release(imgseal, version)
        assert witness(kept, version) == heads[-1]
        heads.append(imgseal("log", "verify").out.splitlines()[-1].removeprefix("head "))
    package = "2.4.3/vent-drive-2.4.3-3.suit"
    said = imgseal("log", "verify", "--against", package)
    assert (said.status, f"continues {heads[2]}" in said.out) == (0, True)
    entries = [json.loads(line)["entry"] for line in (kept / "release.log").read_text().splitlines()]
    assert [entry["witness"] for entry in entries] == [0, 1, 2]
    whole = (kept / "release.log").read_bytes()
    lines = whole.splitlines(keepends=True)
    (kept / "release.log").write_bytes(lines[0])
    said = imgseal("log", "verify", "--against", package)
    assert (said.status, "shorter than it was" in said.err) == (1, True)
    err = release(imgseal, "2.4.4", "--previous", package, status=1)
    assert f"{heads[2]}, as the previous package says" in err
    (kept / "release.log").write_bytes(lines[0] + lines[1])
    err = release(imgseal, "2.4.4", "--previous", package, status=1)
    assert "the release log does not hold the previous package" in err
    (kept / "release.log").write_bytes(whole)
    release(imgseal, "2.4.4", "--previous", package)


def test_a_package_that_is_no_witness(imgseal: Imgseal, kept: Path) -> None:
    assert imgseal("build", *ALL).status == 0
    said = imgseal("log", "verify", "--against", "out/vent-drive-2.4.1-1-development.suit")
    assert (said.status, "carries no head" in said.err) == (2, True)


def test_a_previous_package_that_the_log_should_have(imgseal: Imgseal, kept: Path) -> None:
    """Without a head of a log: one from before the log began is taken, and a later one that it does not hold is not."""
    path = kept / "imgseal.toml"
    text = path.read_text()
    for sequence in (16, 18):
        path.write_text(text.replace(LOG, "").replace('sequence = "next"', f"sequence = {sequence}"))
        said = imgseal("build", *ALL, "--release", "--revision", "abcd", "--out", str(sequence))
        assert said.status == 0, said.err
    path.write_text(text.replace('sequence = "next"', "sequence = 17"))
    release(imgseal, "2.4.1", "--previous", "16/vent-drive-2.4.1-16.suit")
    path.write_text(text)
    before = tree(kept)
    err = release(imgseal, "2.4.2", "--previous", "18/vent-drive-2.4.1-18.suit", status=1)
    assert "does not hold the previous package" in err
    assert tree(kept) == before
    release(imgseal, "2.4.2", "--previous", "16/vent-drive-2.4.1-16.suit")


def test_what_was_verified_once_is_known_by_its_digest(
    imgseal: Imgseal, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An earlier byte that is changed is refused all the same, and so is what an old note does not cover."""
    from imgseal.formats.log import lines
    from imgseal.workspace import verified_log

    followed: list[int] = []
    real = lines._follow

    def follow(tip: lines.Tip, data: bytes) -> lines.Step:
        followed.append(tip.size)
        return real(tip, data)

    monkeypatch.setattr(lines, "_follow", follow)
    for version in ("2.4.1", "2.4.2", "2.4.3"):
        release(imgseal, version)
    assert followed == [0, 1]  # the third release has found two entries; the first was verified by the second
    followed.clear()
    release(imgseal, "2.4.4")
    assert followed == [2]
    whole = (kept / "release.log").read_bytes()
    (kept / "release.log").write_bytes(whole.replace(b'"revision":"abcd"', b'"revision":"abce"', 1))
    followed.clear()
    assert "release.log:1" in release(imgseal, "2.4.5", status=1)
    assert followed == [0]
    (kept / "release.log").write_bytes(whole)
    note = Path(str(verified_log._note_of("release.log")))
    for content in ("", "1 2 3", "x y", f"{len(whole)} {'0' * 64}", f"99999999 {'0' * 64}"):
        note.write_text(content)
        followed.clear()
        assert imgseal("log", "pin").status == 0
        assert followed == [0, 1, 2, 3]


@pytest.mark.parametrize(("block", "piece", "step"), [(4 << 20, 1 << 20, 101), (4096, 1000, 307)])
def test_no_byte_of_what_was_verified_may_change(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block: int, piece: int, step: int
) -> None:
    """Wherever it stands, whether a release is added behind it or not; the note of the good log stays in the cache."""
    from test_kept_logs import HEADS, KEPT

    from imgseal.errors import ImgsealError
    from imgseal.workspace import verified_log
    from imgseal.workspace.files import read_bounded

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(verified_log, "_BLOCK", block)  # of a small one the kept log has many, and two threads read it
    monkeypatch.setattr(verified_log, "_PIECE", piece)
    whole = (KEPT / "every-kind.log").read_bytes()
    path = tmp_path / "release.log"
    cut = whole.rindex(b"\n", 0, -1) + 1
    for known in (whole, whole[:cut]):  # all of it has been verified before, or all but the last line
        path.write_bytes(known)
        verified_log.verified_log(str(path))
        note = read_bounded(str(verified_log._note_of(str(path))), "note", 128)
        path.write_bytes(whole)
        for at in range(0, cut, step):
            changed = bytearray(whole)
            changed[at] ^= 1 << at % 8
            path.write_bytes(changed)
            with pytest.raises(ImgsealError):
                verified_log.verified_log(str(path))
            assert read_bounded(str(verified_log._note_of(str(path))), "note", 128) == note
    path.write_bytes(whole)
    assert str(verified_log.verified_log(str(path)).head) == HEADS["every-kind.log"]


@pytest.mark.parametrize("size", [0, 1, 9, 10, 39, 40, 41, 80, 333])
def test_a_log_is_read_and_hashed_in_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    """Whatever its length, and where it is cut off while it is read: as bytes that are hashed one block at a time."""
    from imgseal.workspace import verified_log

    monkeypatch.setattr(verified_log, "_BLOCK", 40)
    monkeypatch.setattr(verified_log, "_PIECE", 15)
    whole, path = bytes(n * 37 % 256 for n in range(size)), tmp_path / "release.log"
    for count in {0, 1, 39, 40, 41, size - 1, size, size + 5} - {-1}:
        path.write_bytes(whole)
        data, blocks = verified_log._loaded(str(path), count)
        starts = range(0, min(count, size), 40)
        wanted = [hashlib.sha256(whole[at : min(at + 40, count)]).digest() for at in starts]
        assert (bytes(data), [block.digest() for block in blocks]) == (whole, wanted), count
        verified_log._hash(blocks, memoryview(whole)[count:], count)
        if count <= size:
            every = [hashlib.sha256(whole[at : at + 40]).digest() for at in range(0, size, 40)]
            assert [block.digest() for block in blocks] == every
    real = os.preadv
    for left in {0, 1, size // 2, max(0, size - 1)}:
        path.write_bytes(whole)

        def cut(descriptor: int, into: list[memoryview], at: int, left: int = left) -> int:
            os.truncate(path, left)
            return real(descriptor, into, at)

        monkeypatch.setattr(os, "preadv", cut)
        assert bytes(verified_log._loaded(str(path), 0)[0]) == whole[:left]
        monkeypatch.setattr(os, "preadv", real)
