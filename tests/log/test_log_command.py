"""`build --release` and the log, and `imgseal log`: exit status, words, and what is and is not written."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from workshop import ALL, BUILD_TIME, Imgseal, public_key, tree

LOG = '\n[log]\npath = "release.log"\n'


@pytest.fixture
def logged(project: Path) -> Path:
    """The project with a release log stated and no release yet."""
    (project / "imgseal.toml").write_text((project / "imgseal.toml").read_text() + LOG)
    (project / "release.log").touch()
    return project


def release(imgseal: Imgseal, sequence: int, *arguments: str, status: int = 0, name: str = "build") -> str:
    version = f"2.4.{sequence - 16}"
    settings = ("--set", f"release.sequence={sequence}", "--set", f"release.version={version}")
    recorded = () if "--revision" in arguments else ("--revision", "ab" * 20)
    said = imgseal(name, *ALL, "--release", *settings, *recorded, "--out", f"out-{sequence}", *arguments)
    assert said.status == status, said.err
    return said.err


@pytest.fixture
def three(logged: Path, imgseal: Imgseal) -> Path:
    """Three releases: sequences 17 to 19, versions 2.4.1 to 2.4.3."""
    for sequence in (17, 18, 19):
        release(imgseal, sequence)
    return logged


def heads(folder: Path) -> list[str]:
    lines = (folder / "release.log").read_text().splitlines()
    return [f"{index + 1}:{json.loads(line)['root']}" for index, line in enumerate(lines)]


def test_a_release_is_logged(imgseal: Imgseal, logged: Path) -> None:
    """What the entry says is what the outputs and the product file say."""
    from hashlib import sha256

    said = imgseal("build", *ALL, "--release", "--revision", "ab" * 20)
    assert said.status == 0, said.err
    assert "logged as entry 0 of release.log; head 1:" in said.err
    entry = json.loads((logged / "release.log").read_text())["entry"]
    document = json.loads((logged / "out" / "release.json").read_text())
    assert {key: entry[key] for key in ("format", "number", "vendor", "product", "version", "sequence")} == {
        "format": 3, "number": 0, "vendor": "quillmoor.example", "product": "vent-drive", "version": "2.4.1",
        "sequence": 17,
    }  # fmt: skip
    assert (entry["made"], entry["revision"], entry["tool"]) == (BUILD_TIME, "ab" * 20, document["imgseal"])
    (package,) = entry["packages"]
    assert package["manifest"] == document["manifest_digest"]
    assert package["keys"] == [public_key("keys/packages").thumbprint[:16].hex()]
    for image in package["images"]:
        sealed = (logged / "out" / f"{image['slot']}.sealed.bin").read_bytes()
        assert image["statement"] == sha256(sealed[:384]).hexdigest()
        assert image["keys"] == [public_key("keys/images").thumbprint[:16].hex()]
    slots = [(i["component"], i["name"], i["slot"], i["version"], i["counter"]) for i in package["images"]]
    assert slots == [(1, "motor", "motor-a", "2.4.1", 6), (1, "motor", "motor-b", "2.4.1", 6),
                     (2, "radio", "radio", "1.3.2", 3), (3, "phrases", "phrases", "1.0.4", 1)]  # fmt: skip
    assert entry["least"][0]["counters"] == [[1, 6], [2, 3], [3, 1]]
    assert (entry["bootloader"], entry["least"][0]["bootloaders"]) == ("1.1.0", ["1.1.0", "1.1.0"])
    assert imgseal("log", "verify").status == 0


def test_a_layout_is_stated_once(imgseal: Imgseal, three: Path) -> None:
    """And again by the release that has another one; it says where slots lie and what they are linked for."""
    made = [json.loads(line) for line in (three / "release.log").read_text().splitlines()]
    layouts = [line["entry"]["packages"][0]["layout"] for line in made]
    assert [layout is None for layout in layouts] == [False, True, True]
    slots = {slot["name"]: slot for slot in layouts[0]["slots"]}
    motor = next(part for part in layouts[0]["components"] if part["name"] == "motor")
    assert [slot for slot, _ in motor["run"]] == ["motor-a", "motor-b"]
    for slot, address in motor["run"]:
        assert address == slots[slot]["address"] + motor["header_block"]
    assert [line["entry"]["least"][0]["layout"] for line in made] == [[0, 0]] * 3
    text = (three / "imgseal.toml").read_text()
    (three / "imgseal.toml").write_text(text + '\n[slot.spare]\nmemory = "nor"\nat = 0x200_0000\nsize = "64 KiB"\n')
    release(imgseal, 20)
    line = json.loads((three / "release.log").read_text().splitlines()[3])
    assert line["entry"]["least"][0]["layout"] == [3, line["at"]]
    assert line["entry"]["anchors"]["images"] == [public_key("keys/images").thumbprint[:16].hex()]


def test_a_development_build_is_not_logged(imgseal: Imgseal, logged: Path) -> None:
    assert imgseal("build", *ALL).status == 0
    assert (logged / "release.log").read_bytes() == b""


def test_without_a_log_nothing_changes(imgseal: Imgseal, project: Path) -> None:
    said = imgseal("build", *ALL, "--release")
    assert said.status == 0
    assert "logged" not in said.err
    assert not (project / "release.log").exists()


def test_the_same_release_is_logged_once(imgseal: Imgseal, three: Path) -> None:
    """The outputs are lost: the build is repeated with the same SOURCE_DATE_EPOCH, and gives them again."""
    before = tree(three)
    for path in (three / "out-19").iterdir():
        path.unlink()
    assert "entry 2 of release.log already; nothing was added" in release(imgseal, 19)
    assert tree(three) == before


REFUSED = [
    ((18, "--again", "a test"), "release.sequence", "above 19, which is logged", "release.sequence = 20"),
    ((19, "--revision", "01", "--again", "a test"), "release.sequence", "manifest ", "release.sequence = 20"),
    (
        (20, "--set", "component.motor.counter=5"),
        "component.motor.counter",
        "at least 6",
        "component.motor.counter = 6",
    ),
]


@pytest.mark.parametrize(("arguments", "key", "expected", "hint"), REFUSED, ids=["sequence", "again", "counter"])
def test_numbers_below_the_log(
    imgseal: Imgseal, three: Path, arguments: tuple[int, str], key: str, expected: str, hint: str
) -> None:
    before = tree(three)
    sequence, *more = arguments
    err = release(imgseal, sequence, *more, status=2)
    assert "(release log release.log)" in err
    for words in (f"--set {key}: ", expected, hint):
        assert words in err
    assert tree(three) == before


def test_the_log_is_relative_to_the_product_file(imgseal: Imgseal, logged: Path) -> None:
    (logged / "sub").mkdir()
    os.chdir(logged / "sub")
    arguments = [argument.replace("=", "=../", 1) for argument in ALL]
    assert imgseal("build", *arguments, "--release", "--revision", "abcd").status == 0
    assert (logged / "release.log").exists()
    assert "../release.log: 1 entry holds" in imgseal("log", "verify").out


def test_pack_is_logged_too(imgseal: Imgseal, logged: Path) -> None:
    """Otherwise `pack --release` would make releases that nobody can account for."""
    release(imgseal, 17)
    images = [str(path) for path in sorted((logged / "out-17").glob("*.sealed.bin"))]
    said = imgseal("pack", *images, "--release")
    assert said.status == 0, said.err
    assert "already; nothing was added" in said.err
    said = imgseal("pack", *images[:3], "--release", "--set", "release.sequence=18")
    assert (said.status, "released before, with other content" in said.err) == (2, True)
    said = imgseal("pack", *images[:3], "--release", "--set", "release.sequence=18", "--again", "without phrases")
    assert said.status == 0, said.err
    assert "logged as entry 1" in said.err
    before = tree(logged)
    again = ("--again", "without the radio")
    said = imgseal("pack", *images[:2], "--release", "--set", "release.sequence=18", "--out", "other", *again)
    assert said.status == 2
    assert "used again" in said.err
    assert tree(logged) == before
    assert "2 entries hold" in imgseal("log", "verify").out


def test_variants_are_one_entry_with_floors_of_their_own(imgseal: Imgseal, logged: Path) -> None:
    text = (logged / "imgseal.toml").read_text()
    variants = '\n[variant.north]\nclass = "vent-drive-2-north"\n\n[variant.south]\ncomponent.radio.counter = 9\n'
    (logged / "imgseal.toml").write_text(text + variants)
    release(imgseal, 17, "--variant", "all")
    entry = json.loads((logged / "release.log").read_text())["entry"]
    assert sorted(package["variant"] for package in entry["packages"]) == ["north", "south"]
    assert "used again" in release(imgseal, 17, status=2)  # south has the product's class: devices do not know which
    again = ("--again", "a test")
    assert "used again" in release(imgseal, 17, "--variant", "south", "--revision", "01", *again, status=2)
    assert "goes down" in release(imgseal, 16, "--variant", "all", *again, status=2)
    release(imgseal, 18, "--variant", "north")
    err = release(imgseal, 18, "--variant", "all")
    assert "logged as entry 2" in err  # north is logged with 18 already, south is new
    entry = json.loads((logged / "release.log").read_text().splitlines()[2])["entry"]
    assert [package["variant"] for package in entry["packages"]] == ["south"]
    assert "3 entries hold" in imgseal("log", "verify").out
    assert "goes down" in release(imgseal, 19, status=2)  # south's radio has counter 9
    release(imgseal, 19, "--set", "component.radio.counter=9")


DEVELOPMENT = [
    ('[signing.release]\nimages = "keys/images.pem"', '[signing.release]\nimages = "keys-dev/images.pem"', False),
    ('[signing.release]\nimages = "keys/images.pem"', '[signing.release]\nimages = "copy.pem"', False),
    ('packages = "keys/packages.pem"', 'packages = "keys-dev/packages.pem"', True),
]


@pytest.mark.parametrize(("old", "new", "bare"), DEVELOPMENT)
def test_development_keys_make_no_release(imgseal: Imgseal, logged: Path, old: str, new: str, bare: bool) -> None:
    """Named for both, a copy under another name, and one that [trust] takes for a released one."""
    text = (logged / "imgseal.toml").read_text()
    assert old in text
    text = text.replace(old, new, 1)
    if bare:
        start, end = text.index("[trust.development]"), text.index("[rules]")
        text = text[:start] + text[end:]
        text = text.replace("keys/packages.pub.pem", "keys-dev/packages.pub.pem")
    (logged / "imgseal.toml").write_text(text)
    (logged / "copy.pem").write_bytes((logged / "keys-dev" / "images.pem").read_bytes())
    (logged / "copy.pem").chmod(0o600)
    before = tree(logged)
    said = imgseal("build", *ALL, "--release")
    assert said.status == 4, said.err
    assert "a development key cannot make a release" in said.err
    assert tree(logged) == before


def test_a_development_key_is_known_by_its_file_where_no_public_half_is(imgseal: Imgseal, logged: Path) -> None:
    """The key that [signing.development] names has no public half beside it, and none in [trust]; a copy of it signs."""
    text = (logged / "imgseal.toml").read_text()
    start, end = text.index("[trust.development]"), text.index("[rules]")
    text = text[:start] + text[end:]
    for old, new in (
        ("keys-dev/images.pem", "dev.pem"),
        ("keys/images.pem", "copy.pem"),
        ("keys/images.pub.pem", "copied.pub.pem"),
    ):
        assert old in text
        text = text.replace(f'"{old}"', f'"{new}"')
    (logged / "imgseal.toml").write_text(text)
    for name in ("dev.pem", "copy.pem"):
        (logged / name).write_bytes((logged / "keys-dev" / "images.pem").read_bytes())
        (logged / name).chmod(0o600)
    (logged / "copied.pub.pem").write_bytes((logged / "keys-dev" / "images.pub.pem").read_bytes())
    before = tree(logged)
    said = imgseal("build", *ALL, "--release")
    assert (said.status, "a development key cannot make a release" in said.err) == (4, True), said.err
    assert tree(logged) == before


BAD_LOGS = [
    ("no JSON", b"something else\n", 3, "not JSON"),
    ("another log", b"[]\n", 3, "not a value allowed here"),
    ("NUL bytes", b"\0" * 5000 + b"\n", 3, "not JSON"),
    ("mark of a merge", b">>>>>>> theirs\n", 1, "a merge has left its marks"),
    ("one long line", b"x" * 600_000 + b"\n", 3, "longer than imgseal reads"),
    ("no line end at all", b"x" * 600_000, 3, "longer than imgseal reads"),
]


@pytest.mark.parametrize(("data", "status", "words"), [b[1:] for b in BAD_LOGS], ids=[b[0] for b in BAD_LOGS])
def test_nothing_is_added_to_what_is_no_log(
    imgseal: Imgseal, logged: Path, data: bytes, status: int, words: str
) -> None:
    (logged / "release.log").write_bytes(data)
    before = tree(logged)
    said = imgseal("build", *ALL, "--release")
    assert said.status == status, said.err
    assert words in said.err
    assert "release.log" in said.err
    assert tree(logged) == before


def test_a_log_that_is_an_output_or_a_folder(imgseal: Imgseal, logged: Path) -> None:
    before = tree(logged)
    said = imgseal("build", *ALL, "--release", "--revision", "abcd", "--depfile", "release.log")
    assert (said.status, tree(logged)) == (2, before)
    assert "overwrite another file" in said.err
    (logged / "release.log").unlink()
    before = tree(logged)
    (logged / "release.log").mkdir()
    said = imgseal("build", *ALL, "--release")
    assert (said.status, tree(logged)) == (3, before)
    assert "cannot read this release log" in said.err
    (logged / "release.log").rmdir()
    os.mkfifo(logged / "release.log")
    said = imgseal("build", *ALL, "--release")
    assert said.status == 3
    assert "no regular file" in said.err


def test_a_log_in_a_folder_that_is_missing(imgseal: Imgseal, logged: Path) -> None:
    text = (logged / "imgseal.toml").read_text().replace('"release.log"', '"logs/release.log"')
    (logged / "imgseal.toml").write_text(text)
    before = tree(logged)
    said = imgseal("build", *ALL, "--release")
    assert (said.status, tree(logged)) == (2, before)
    assert "logs/release.log" in said.err
    assert "imgseal log new begins one" in said.err


@pytest.mark.parametrize(
    "line", ['path = ""', "path = 3", 'path = "a\\u0000b"', 'path = "logs/"', 'file = "release.log"', ""]
)
def test_product_file_mistakes(imgseal: Imgseal, project: Path, line: str) -> None:
    text = (project / "imgseal.toml").read_text()
    (project / "imgseal.toml").write_text(f"{text}\n[log]\n{line}\n")
    said = imgseal("build", *ALL, "--release")
    assert said.status == 2
    assert "imgseal.toml:" in said.err
    assert ", log" in said.err
    assert not (project / "out").exists()


def test_the_outputs_cannot_be_moved(imgseal: Imgseal, logged: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The log has the entry then; the message says so, and how to get the same files."""

    def full(_source: str, _target: str) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("imgseal.workspace.staging.os.replace", full)
        said = imgseal("build", *ALL, "--release", "--revision", "abcd")
    assert said.status == 3
    assert "logged, as entry 0 of release.log" in said.err
    assert f"SOURCE_DATE_EPOCH={BUILD_TIME}" in said.err
    assert not list((logged / "out").iterdir()) if (logged / "out").exists() else True
    assert imgseal("build", *ALL, "--release", "--revision", "abcd").status == 0
    assert len(heads(logged)) == 1


def test_a_torn_line(imgseal: Imgseal, three: Path) -> None:
    """Not counted by verify, which says so; dropped by the next release, which says so."""
    whole = (three / "release.log").read_bytes()
    for torn in (b"\0" * 300, whole[:700], whole.splitlines()[1][:-1]):
        (three / "release.log").write_bytes(whole + torn)
        said = imgseal("log", "verify")
        assert said.status == 0
        assert "3 entries hold" in said.out
        assert f"{len(torn)} bytes behind the last entry" in said.err
        assert "no entry" in said.err
    assert f"release.log: {len(torn)} bytes of a line that was cut" in release(imgseal, 20)
    after = (three / "release.log").read_bytes()
    assert after.startswith(whole)
    assert len(heads(three)) == 4
    assert "4 entries hold" in imgseal("log", "verify").out


def test_the_last_line_feed_is_cut(imgseal: Imgseal, three: Path) -> None:
    """The entry stays: its number and its sequence are not given again, and the next release puts the line feed back."""
    whole = (three / "release.log").read_bytes()
    head = imgseal("log", "verify").out
    (three / "release.log").write_bytes(whole[:-1])
    said = imgseal("log", "verify")
    assert (said.status, said.out) == (0, head)
    assert "complete but for its line feed" in said.err
    last = "out-19/vent-drive-2.4.3-19.suit"
    assert imgseal("check", last).out.startswith("accepted, for a device with the numbers of release.log (sequence 19)")
    again = imgseal("build", *ALL, "--release", "--set", "release.sequence=19", "--out", "again")
    assert again.status == 2, again.err
    assert (three / "release.log").read_bytes() == whole[:-1]
    assert "the last line was complete but for its line feed" in release(imgseal, 20)
    assert (three / "release.log").read_bytes().startswith(whole)
    assert "4 entries hold" in imgseal("log", "verify").out


def test_a_whole_line_that_does_not_follow_is_no_torn_one(imgseal: Imgseal, three: Path) -> None:
    """A cut leaves part of the next line; a whole line of another place is somebody's entry, and nobody drops it."""
    whole = (three / "release.log").read_bytes()
    for line in (whole.splitlines()[1], b">>>>>>> theirs"):
        (three / "release.log").write_bytes(whole + line)
        assert imgseal("log", "verify").status == 1
        assert imgseal("build", *ALL, "--release", "--set", "release.sequence=20", "--out", "new").status == 1
        assert (three / "release.log").read_bytes() == whole + line


def test_a_log_that_was_torn_before_its_first_entry(imgseal: Imgseal, logged: Path) -> None:
    (logged / "release.log").write_bytes(b'{"at":0,"edge":[')
    assert "0 entries hold" in imgseal("log", "verify").out
    assert "16 bytes of a line that was cut" in release(imgseal, 17)
    assert "1 entry holds" in imgseal("log", "verify").out


def test_check_takes_the_numbers_of_the_log(imgseal: Imgseal, three: Path) -> None:
    """Without --device: what devices in the field refuse by now. With --development, or --device, the log does not count."""
    release(imgseal, 20, "--set", "component.radio.counter=4")
    last = "out-20/vent-drive-2.4.4-20.suit"
    said = imgseal("check", last, "out-20/radio.sealed.bin")
    assert said.status == 0, said.out
    assert said.out.startswith(f"accepted, for a device with the numbers of release.log (sequence 20): {last}")
    said = imgseal("check", "out-19/vent-drive-2.4.3-19.suit")
    assert said.status == 1
    assert "rollback.sequence-too-low" in said.out
    assert "rollback.counter-too-low" in imgseal("check", "out-19/radio.sealed.bin").out
    assert imgseal("check", "out-19/motor-a.sealed.bin").status == 0
    log = (three / "release.log").read_bytes()
    (three / "release.log").write_bytes(b"".join(log.splitlines(keepends=True)[:3]))
    assert imgseal("build", *ALL, "--release", "--set", "release.sequence=19", "--out", "x").status == 2
    said = imgseal("check", last)  # newer than all that is logged, and not among it
    assert (said.status, "gate.not-logged" in said.out) == (1, True)
    (three / "other").mkdir()
    (three / "other" / "release.log").write_bytes(log)
    (three / "release.log").unlink()
    (three / "release.log").touch()
    other = imgseal("build", *ALL, "--release", "--revision", "aa", "--set", "release.sequence=20", "--out", "other")
    assert other.status == 0
    os.replace(three / "other" / "release.log", three / "release.log")
    assert "rollback.sequence-reused" in imgseal("check", "other/vent-drive-2.4.1-20.suit").out
    assert imgseal("build", *ALL, "--out", "desk").status == 0
    assert imgseal("check", "desk/vent-drive-2.4.1-17-development.suit", "--development").status == 0
    imgseal("device", "new", "unit.json")
    assert imgseal("check", "out-19/radio.sealed.bin", "--device", "unit.json").status == 0
    (three / "release.log").write_bytes(log + b"\n")
    said = imgseal("check", last)
    assert (said.status, said.out) == (3, "")
    assert "release.log" in said.err


# -- a fork by version control ------------------------------------------------------------------------


def git(folder: Path, *arguments: str, status: int = 0) -> str:
    done = subprocess.run(["git", "-c", "user.name=t", "-c", "user.email=t@quillmoor.example", *arguments],
                          cwd=folder, capture_output=True, text=True, check=False)  # fmt: skip
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout


@pytest.fixture
def forked(three: Path, imgseal: Imgseal) -> Path:
    """Two branches that each released 2.4.4, in the middle of a merge that conflicts."""
    (three / ".gitignore").write_text("*\n!release.log\n!.gitignore\n")
    git(three, "init", "-q", "-b", "main")
    git(three, "add", ".")
    git(three, "commit", "-qm", "three releases")
    git(three, "checkout", "-qb", "side")
    release(imgseal, 20, "--revision", "aa")
    git(three, "commit", "-qam", "side release")
    git(three, "checkout", "-q", "main")
    release(imgseal, 20, "--revision", "bb")
    release(imgseal, 21)
    git(three, "commit", "-qam", "main release")
    git(three, "merge", "-q", "side", status=1)
    return three


def test_a_fork_by_merge_is_refused_with_the_cure(imgseal: Imgseal, forked: Path) -> None:
    """As git leaves it, with the marks taken out in both orders, and with the union driver: never gone on from."""
    text = (forked / "release.log").read_text()
    assert "<<<<<<<" in text
    lines = [line for line in text.splitlines() if line[:7] not in ("<<<<<<<", "=======", ">>>>>>>")]
    ours, theirs = lines[3:5], lines[5:6]
    for content in (text, "\n".join([*lines[:3], *ours, *theirs, ""]), "\n".join([*lines[:3], *theirs, *ours, ""])):
        (forked / "release.log").write_text(content)
        before = tree(forked)
        said = imgseal("log", "verify")
        assert said.status == 1
        assert "the log forks" in said.err
        assert "git checkout --ours" in said.err
        err = release(imgseal, 30, status=1)
        assert "the log forks" in err
        assert "git checkout --ours" in err
        assert tree(forked) == before


def test_the_cure_works(imgseal: Imgseal, forked: Path) -> None:
    """Our side whole, then the other side's release again with a higher sequence."""
    git(forked, "checkout", "--ours", "release.log")
    assert "5 entries hold" in imgseal("log", "verify").out
    release(imgseal, 22, "--revision", "aa")
    assert "6 entries hold" in imgseal("log", "verify").out


def test_git_attributes_keep_the_lines_apart(imgseal: Imgseal, forked: Path) -> None:
    """docs/cli.md: with `release.log -text -merge` git leaves our side whole, and the conflict to be solved by a person."""
    git(forked, "merge", "--abort")
    ours = (forked / "release.log").read_bytes()
    (forked / ".gitattributes").write_text("release.log -text -merge\n")
    git(forked, "add", "-f", ".gitattributes")
    git(forked, "commit", "-qm", "attributes")
    git(forked, "merge", "-q", "side", status=1)
    assert (forked / "release.log").read_bytes() == ours
    assert "5 entries hold" in imgseal("log", "verify").out


# -- verify, prove ------------------------------------------------------------------------------------


def test_verify_against_older_heads(imgseal: Imgseal, three: Path) -> None:
    log = (three / "release.log").read_bytes()
    (three / "old.log").write_bytes(b"".join(log.splitlines(keepends=True)[:2]))
    (three / "head.txt").write_text(heads(three)[1] + "\n")
    empty = "0:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    for older in ("old.log", "head.txt", *heads(three), "release.log", empty):
        said = imgseal("log", "verify", "--against", older)
        assert said.status == 0, said.err
        assert f"head {heads(three)[2]}" in said.out
        assert "continues " in said.out


def test_verify_against_what_was_changed(imgseal: Imgseal, three: Path) -> None:
    """The log is made anew with the same releases but one: it holds in itself, and not against the older head."""
    old = heads(three)
    (three / "old.log").write_bytes((three / "release.log").read_bytes())
    (three / "release.log").write_bytes(b"")
    for sequence, more in ((17, ()), (18, ("--revision", "01")), (19, ()), (20, ())):
        release(imgseal, sequence, *more)
    assert imgseal("log", "verify").status == 0
    assert imgseal("log", "verify", "--against", old[0]).status == 0
    for older in (old[1], old[2], "old.log", "3:" + "00" * 32, "0:" + "00" * 32):
        said = imgseal("log", "verify", "--against", older)
        assert said.status == 1
        assert "does not continue the older one" in said.err
        assert "continues" not in said.out
    said = imgseal("log", "verify", "--log", "old.log", "--against", heads(three)[3])
    assert said.status == 1
    assert "shorter than it was" in said.err


def test_a_changed_line_is_named(imgseal: Imgseal, three: Path) -> None:
    text = (three / "release.log").read_text()
    (three / "release.log").write_text(text.replace('"version":"2.4.2"', '"version":"2.4.9"', 1))
    for arguments in (("verify",), ("show",), ("prove", "2.4.1"), ("verify", "--against", heads(three)[0])):
        said = imgseal("log", *arguments)
        assert said.status == 1
        assert "release.log:2" in said.err
        assert said.out == ""


def test_inclusion_proofs(imgseal: Imgseal, three: Path) -> None:
    for release_, size in (("2.4.1", 3), ("1", 3), ("2.4.3", 3), ("2.4.1", 1), ("0", 2)):
        said = imgseal("log", "prove", release_, "--size", str(size))
        assert said.status == 0, said.err
        (three / "proof.json").write_text(said.out)
        said = imgseal("log", "verify", "--proof", "proof.json", "--against", heads(three)[size - 1])
        assert said.status == 0, said.err
        assert "is in the log with head" in said.out
    said = imgseal("log", "verify", "--proof", "proof.json")
    assert "worth as much as the head" in said.err
    said = imgseal("log", "verify", "--proof", "proof.json", "--against", heads(three)[2])
    assert said.status == 1
    assert "for another head" in said.err


def test_consistency_proofs(imgseal: Imgseal, three: Path) -> None:
    for first in range(4):
        said = imgseal("log", "prove", "--from", str(first))
        assert said.status == 0, said.err
        (three / "proof.json").write_text(said.out)
        said = imgseal("log", "verify", "--proof", "proof.json")
        assert said.status == 0, said.err
        assert f"the log with head {heads(three)[2]} continues" in said.out
        if first:
            older = heads(three)[first - 1]
            assert imgseal("log", "verify", "--proof", "proof.json", "--against", older).status == 0


def test_wrong_proofs(imgseal: Imgseal, three: Path) -> None:
    good = imgseal("log", "prove", "2.4.1").out
    for text, status, words in (
        (good.replace("2.4.1", "2.4.0"), 1, "does not hold"),
        (good.replace('"number":0', '"number":1'), 1, "does not hold"),
        (good[:-1], 3, "another encoding"),
        (good * 2, 3, "not JSON"),
        ("", 3, "not JSON"),
        (" " * 1_000_000, 3, "larger than"),
    ):
        (three / "proof.json").write_text(text)
        said = imgseal("log", "verify", "--proof", "proof.json")
        assert said.status == status, said.err
        assert words in said.err
        assert "proof.json" in said.err
        assert said.out == ""


def test_show(imgseal: Imgseal, three: Path) -> None:
    said = imgseal("log", "show")
    assert said.out.splitlines() == [
        f"   {number}  vent-drive 2.4.{number + 1}  sequence {number + 17}  2025-11-25T12:00:00Z" for number in range(3)
    ]
    one = imgseal("log", "show", "2.4.2").out
    assert one == imgseal("log", "show", "1").out
    assert "vent-drive 2.4.2, sequence 18, of quillmoor.example" in one
    assert "motor 2.4.2 in motor-a, counter 6" in one
    everything = json.loads(imgseal("log", "show", "--json").out)
    assert [entry["version"] for entry in everything] == ["2.4.1", "2.4.2", "2.4.3"]
    assert json.loads(imgseal("log", "show", "2", "--json").out) == everything[2:]


def test_show_what_a_key_touched(imgseal: Imgseal, logged: Path) -> None:
    """The key is exchanged for the last release: the question after a theft is which releases it signed."""
    imgseal("key", "new", "--no-passphrase", "keys/images-2.pem")
    text = (logged / "imgseal.toml").read_text()
    text = text.replace('["keys/images.pub.pem"]', '["keys/images.pub.pem", "keys/images-2.pub.pem"]')
    (logged / "imgseal.toml").write_text(text)
    for sequence in (17, 18, 19):
        release(imgseal, sequence)
    (logged / "imgseal.toml").write_text(text.replace('images = "keys/images.pem"', 'images = "keys/images-2.pem"'))
    kept = ("motor=out-19/motor-a.sealed.bin", "motor=out-19/motor-b.sealed.bin", ALL[2])
    number = ("--set", "release.sequence=20", "--set", "release.version=2.4.4", "--revision", "abcd")
    said = imgseal("build", *kept, "--release", *number, "--out", "next")
    assert said.status == 0, said.err
    old, packages = public_key("keys/images").thumbprint.hex(), public_key("keys/packages").thumbprint.hex()
    new = next(
        line.split()[1] for line in imgseal("key", "show", "keys/images-2.pem").out.splitlines() if "thumbp" in line
    )
    touched = {
        old: [("0", "motor-a, motor-b, radio, phrases")] * 3 + [("3", "motor-a, motor-b")],
        packages: [("0", "package")] * 4,
        new: [("3", "radio")],
    }
    for key, expected in touched.items():
        rows = imgseal("log", "show", "--key", key).out.splitlines()
        assert [row.split("signed ")[1] for row in rows] == [words for _, words in expected]
    assert imgseal("log", "show", "--key", new).out.split()[0] == "3"
    assert imgseal("log", "show", "--key", new[:32].upper()).out.split()[0] == "3"
    said = imgseal("log", "show", "--key", "00" * 32)
    assert (said.status, said.out) == (0, "")
    assert "no release" not in said.err
    assert said.err == "imgseal: none of 4 entries have a signature by this key\n"
    assert (
        imgseal("log", "show", "--key", new, "--json").err == "imgseal: 1 of 4 entries have a signature by this key\n"
    )
    assert imgseal("log", "show").err == ""


MISTAKES = [
    (("show", "2.4.9"), 2, "no such release"),
    (("show", "9"), 2, "no such release"),
    (("show", ""), 2, "no such release"),
    (("show", "0", "--key", "00" * 32), 2, "a release and --key cannot be given together"),
    (("show", "--key", "00"), 2, "no thumbprint"),
    (("prove",), 2, "give either a release or --from"),
    (("prove", "2.4.1", "--from", "1"), 2, "give either a release or --from"),
    (("prove", "--from", "4"), 2, "never had this size"),
    (("prove", "--from", "-1"), 2, "does not fit"),
    (("prove", "--from", "3", "--size", "2"), 2, "does not fit"),
    (("prove", "2.4.3", "--size", "2"), 2, "does not fit"),
    (("prove", "2.4.3", "--size", "4"), 2, "never had this size"),
    (("verify", "--log", "nothing.log"), 3, "cannot read this release log"),
    (("verify", "--log", "out-17"), 3, "cannot read this release log"),
    (("verify", "--log", "imgseal.toml"), 3, "not JSON"),
    (("verify", "--log", "out-17/vent-drive-2.4.1-17.suit"), 3, "not JSON"),
    (("verify", "--against", "nothing"), 2, "neither a head nor a file"),
    (("verify", "--against", "imgseal.toml"), 3, "not JSON"),
    (("verify", "--against", "out-17/motor-a.sealed.bin"), 2, "a package carries one, and not the images in it"),
    (("verify", "--proof", "nothing"), 3, "cannot read this proof"),
    (("verify", "--proof", "release.log"), 3, ""),
    (("verify", "--proof", "x", "--log", "release.log"), 2, "contradict"),
    (("verify", "--agaisnt", "x"), 2, "--against"),
    (("verfy",), 2, "No such command"),
]  # fmt: skip


@pytest.mark.parametrize(("arguments", "status", "words"), MISTAKES, ids=[" ".join(m[0]) for m in MISTAKES])
def test_mistakes(imgseal: Imgseal, three: Path, arguments: tuple[str, ...], status: int, words: str) -> None:
    before = tree(three)
    said = imgseal("log", *arguments)
    assert said.status == status, said.err
    assert words in said.err
    assert said.out == ""
    assert tree(three) == before


def test_a_product_without_a_log(imgseal: Imgseal, project: Path) -> None:
    said = imgseal("log", "verify")
    assert said.status == 2
    assert 'expected: path = "release.log" in [log]' in said.err
    assert "imgseal log show --log FILE" in said.err


def test_one_version_released_twice(imgseal: Imgseal, three: Path) -> None:
    release(imgseal, 20, "--set", "component.radio.version=1.4.0")
    number = ("--set", "release.sequence=21", "--set", "release.version=2.4.4", "--revision", "abcd")
    said = imgseal("build", *ALL, "--release", *number)
    assert (said.status, "released before, with other content" in said.err) == (2, True)
    said = imgseal("build", *ALL, "--release", *number, "--again", "the radio was not the one")
    assert said.status == 0, said.err
    assert "again      the radio was not the one" in imgseal("log", "show", "4").out
    said = imgseal("log", "show", "2.4.4")
    assert said.status == 2
    assert "3, 4" in said.err


def test_years_beyond_the_calendar(imgseal: Imgseal, logged: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SOURCE_DATE_EPOCH goes to 2**63-1, years that strftime has to four digits do not."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(2**63 - 1))
    release(imgseal, 17)
    assert "second 9223372036854775807" in imgseal("log", "show").out


# -- more than one process ----------------------------------------------------------------------------


@pytest.fixture
def running() -> Iterator[list[subprocess.Popen[str]]]:
    children: list[subprocess.Popen[str]] = []
    yield children
    for child in children:
        child.kill()
        child.wait()


@pytest.mark.parametrize("count", [2, 8])
def test_builds_at_once(imgseal: Imgseal, logged: Path, count: int, running: list[subprocess.Popen[str]]) -> None:
    """Releases of variants started together: every one is logged once, in one line of entries."""
    variants = "".join(f'\n[variant.v{n}]\nclass = "vent-drive-2-v{n}"\n' for n in range(count))
    (logged / "imgseal.toml").write_text((logged / "imgseal.toml").read_text() + variants)
    for n in range(count):
        command = [sys.executable, "-m", "imgseal", "build", *ALL, "--release", "--revision", "ab",
                   "--variant", f"v{n}", "--out", f"o{n}"]  # fmt: skip
        running.append(subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True))
    for child in running:
        _, err = child.communicate()
        assert child.returncode == 0, err
    assert f"{count} entries hold" in imgseal("log", "verify").out
    shown = json.loads(imgseal("log", "show", "--json").out)
    assert sorted(entry["packages"][0]["variant"] for entry in shown) == [f"v{n}" for n in range(count)]


def test_the_same_sequence_at_once(imgseal: Imgseal, logged: Path, running: list[subprocess.Popen[str]]) -> None:
    """Two different releases with one sequence: one is made, the other refused, whichever came first."""
    for revision in ("aa", "bb"):
        command = [
            sys.executable,
            "-m",
            "imgseal",
            "build",
            *ALL,
            "--release",
            "--revision",
            revision,
            "--out",
            revision,
        ]
        running.append(subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True))
    said = [child.communicate()[1] for child in running]
    assert sorted(child.returncode for child in running) == [0, 2], said
    refused = next(index for index, child in enumerate(running) if child.returncode)
    assert "the sequence is used again" in said[refused] or "was released before" in said[refused]
    assert not (logged / ("aa", "bb")[refused]).exists()
    assert "1 entry holds" in imgseal("log", "verify").out


def test_what_verify_prints_is_a_head_file(imgseal: Imgseal, three: Path) -> None:
    """`imgseal log verify > head.txt` keeps it; before the first release there is nothing to verify."""
    (three / "head.txt").write_text(imgseal("log", "verify").out)
    said = imgseal("log", "verify", "--against", "head.txt")
    assert (said.status, "continues " in said.out) == (0, True)
    (three / "release.log").unlink()
    said = imgseal("log", "verify")
    assert (said.status, "the release log is not there" in said.err) == (2, True)


def test_the_old_table_is_read_with_a_note(imgseal: Imgseal, project: Path) -> None:
    path = project / "imgseal.toml"
    text = path.read_text()
    path.write_text(text + LOG.replace("[log]", "[ledger]"))
    (project / "release.log").touch()
    note = "imgseal: imgseal.toml: [ledger] is called [log] now; this version still reads it\n"
    said = imgseal("build", *ALL, "--release", "--revision", "abcd")
    assert said.status == 0
    assert said.err.count(note) == 1
    assert "logged as entry 0" in said.err
    said = imgseal("log", "verify")
    assert (said.status, said.err) == (0, note)
    assert "1 entry holds" in said.out
    assert imgseal("log", "export", "0", "audit").status == 0
    assert "ledger" not in (project / "audit/imgseal.toml").read_text()

    path.write_text(text + '[ledger]\npath = "logs/"\n')
    said = imgseal("log", "verify")
    assert said.status == 2
    assert f"imgseal.toml:{len(text.splitlines()) + 2}, ledger.path: this is no file name" in said.err


def test_both_tables_together_are_refused(imgseal: Imgseal, project: Path) -> None:
    path = project / "imgseal.toml"
    text = path.read_text()
    path.write_text(text + LOG + LOG.replace("[log]", "[ledger]"))
    said = imgseal("check", "x.suit")
    where = f"imgseal.toml:{len(text.splitlines()) + 5}, ledger"
    assert (said.status, said.out) == (2, "")
    assert said.err == (
        f"imgseal: {where}: the release log is stated twice: [ledger] is the old name of [log]\n"
        "  expected: [log] alone\n  found: [ledger] and [log]\n  hint: take [ledger] out\n"
    )


def test_the_old_command_answers_with_the_new_one(imgseal: Imgseal, logged: Path) -> None:
    release(imgseal, 17)
    new = imgseal("log", "verify")
    assert imgseal("ledger", "verify") == (0, new.out, "imgseal: imgseal ledger is called imgseal log now\n")
    assert imgseal("ledger", "--help").out == imgseal("log", "--help").out
    assert "ledger" not in imgseal("--help").out
    assert (logged / "release.log").exists()
