"""`imgseal factory`: one image for the production line. Source of truth: docs/cli.md; HEX is read back by intelhex."""

import hashlib
import json
from pathlib import Path

import intelhex
import pytest
from jsonschema import validate
from workshop import ALL, Imgseal, public_key, tree

from imgseal.demo.firmware import code
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.keys.pem import encode_public

PACKAGE, RECOVERY = "out/vent-drive-2.4.1-17.suit", "recovery/vent-drive-1.0.0-1.suit"
DOCS = Path(__file__).parents[2] / "docs"
HEX = "factory/vent-drive-2.4.1-17.factory.hex"


@pytest.fixture
def line(imgseal: Imgseal, project: Path) -> Path:
    """A project with two packages, a bootloader and settings."""
    (project / "firmware").mkdir()
    boot = code("bootloader", link=0, size=5000, vectors=64, stack=0x2002_0000)
    (project / "firmware" / "bootloader.hex").write_bytes(b"".join(write_intel_hex([(0, boot)])))
    (project / "firmware" / "settings.bin").write_bytes(b"settings")
    recovery = code("recovery", link=0x14400, size=3000, vectors=64, stack=0x2002_0000)
    (project / "recovery.hex").write_bytes(b"".join(write_intel_hex([(0x14400, recovery)])))
    assert imgseal("build", *ALL, "--release").status == 0
    other = ("--set", "release.version=1.0.0", "--set", "release.sequence=1", "--out", "recovery")
    said = imgseal("build", "recovery=recovery.hex", "--release", *other)
    assert said.status == 0, said.err
    return project


def test_everything_in_one_hex(imgseal: Imgseal, line: Path) -> None:
    said = imgseal("factory", PACKAGE, RECOVERY)
    assert said.status == 0, said.err
    assert said.out.endswith(f"{HEX}\n")
    assert "counter of motor: 5, for the production line to program" in said.out
    read = intelhex.IntelHex(str(line / HEX))
    document = json.loads((line / "factory" / "factory.json").read_text())
    assert [entry["what"] for entry in document["ranges"]] == [
        "bootloader", "trust anchors", "settings", "install record", "recovery 1.0.0 in recovery", "motor 2.4.1 in motor-a",
        "radio 1.3.2 in radio", "phrases 1.0.4 in phrases",
    ]  # fmt: skip
    for entry in document["ranges"]:
        data = read.tobinstr(start=entry["address"], size=entry["size"])
        assert hashlib.sha256(data).hexdigest() == entry["sha256"]
    assert sum(end - start for start, end in read.segments()) == sum(entry["size"] for entry in document["ranges"])
    assert read.tobinstr(start=0x20000, size=7024) == (line / "out" / "motor-a.sealed.bin").read_bytes()
    assert document["counters"] == {"motor": 5, "radio": 3, "phrases": 1, "recovery": 1}
    assert document["left_to_the_line"] == ["per-device secrets", "protection bits", "counter storage"]


def test_trust_anchors_are_those_of_the_page(imgseal: Imgseal, line: Path) -> None:
    """Read by the byte table of docs/format/trust-anchors.md alone."""
    assert imgseal("factory", PACKAGE, RECOVERY).status == 0
    data = intelhex.IntelHex(str(line / HEX)).tobinstr(start=0xD000, size=148 + 2 * 88 + 32)
    assert data[:8] == b"\xd5anchors"
    assert (data[8:10], data[10:12], data[12:16]) == (b"\x01\0", b"\x02\0", bytes(4))
    assert (data[16], data[17], data[18:20]) == (1, 1, bytes(2))
    assert (data[20:36].hex(), data[36:52].hex()) == (
        "9094a669a72e555491d4c81e26c1ef5c", "ce54d3d875975d63af963f45b45dafca",
    )  # fmt: skip
    assert data[52:148] == bytes(96)  # no apex trust anchor
    for index, (role, name) in enumerate(((1, "keys/images"), (2, "keys/packages"))):
        entry = data[148 + 88 * index : 236 + 88 * index]
        key = public_key(name)
        assert (entry[0], entry[1:4], entry[4:8]) == (role, bytes(3), b"\xff" * 4)
        assert entry[8:] == key.key_id + key.x + key.y
    assert data[-32:] == hashlib.sha256(data[:-32]).digest()


def test_the_device_takes_the_next_update(imgseal: Imgseal, line: Path) -> None:
    """The state beside the image is one that check, device and rehearse work on."""
    assert imgseal("factory", PACKAGE, RECOVERY, "--hardware", "3").status == 0
    state = json.loads((line / "factory" / "device.json").read_text())
    assert (state["hardware"], state["sequence"], state["counters"]["1"], sorted(state["current"])) == (
        3,
        17,
        5,
        ["1", "2", "3"],
    )
    newer = ("--set", "release.sequence=18", "--set", "component.radio.version=1.4.0", "--out", "next")
    assert imgseal("build", *ALL, "--release", *newer).status == 0
    said = imgseal("rehearse", "next/vent-drive-2.4.1-18.suit", "--device", "factory/device.json", "--pairs", "20")
    assert said.status == 0, said.out + said.err
    assert "boot: kept radio in radio-keep" in said.out
    # the image before, whose counter 5 the line has programmed, may still be installed there
    older = ("--set", "release.sequence=19", "--set", "component.motor.counter=5", "--out", "older")
    assert imgseal("build", *ALL[:2], "--release", *older).status == 0
    assert imgseal("check", "older/vent-drive-2.4.1-19.suit", "--device", "factory/device.json").status == 0


def test_read_back(imgseal: Imgseal, line: Path) -> None:
    assert imgseal("factory", PACKAGE, RECOVERY).status == 0
    before = tree(line)
    said = imgseal("factory", PACKAGE, RECOVERY, "--read-back", HEX)
    assert (said.status, said.out.count("as made")) == (0, 8)
    assert "does not cover slot.motor-b" in said.err
    # a whole dump of the internal flash, as a programmer reads it
    image = intelhex.IntelHex(str(line / HEX))
    image.padding = 0xFF
    flash = bytearray(image.tobinstr(start=0, size=1 << 20))
    (line / "dump.bin").write_bytes(flash)
    said = imgseal("factory", PACKAGE, RECOVERY, "--read-back", "dump.bin@0x0")
    assert said.status == 1  # the external flash is not in it
    assert "differs   0x60080000 phrases 1.0.4 in phrases: expected 5024 bytes, found 0 bytes" in said.out
    for at, what in (
        (0x20500, "motor 2.4.1 in motor-a"),
        (0x80000, "slot.motor-b"),
        (0xF001, "settings"),
        (0x3000, "slot.bootloader"),
    ):
        flash[at] ^= 0x10
        (line / "dump.bin").write_bytes(flash)
        flash[at] ^= 0x10
        said = imgseal("factory", PACKAGE, RECOVERY, "--read-back", "dump.bin@0x0")
        assert said.status == 1
        assert f"differs   0x{at:08x} {what}: " in said.out
        assert "1 bytes differ" in said.out
    (line / "dump.bin").unlink()
    assert tree(line) == before


def _edit(line: Path, old: str, new: str) -> None:
    path = line / "imgseal.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


@pytest.mark.parametrize(("erased", "padding", "other"), [("0x00", 0x00, 0xFF), ('"unreadable"', 0x5A, 0xA5)])
def test_read_back_of_flash_that_does_not_erase_to_ones(
    imgseal: Imgseal, line: Path, erased: str, padding: int, other: int
) -> None:
    """A slot's rest is compared with what the memory says, or not at all."""
    _edit(line, "program_once = true", f"program_once = true\nerased = {erased}")
    assert imgseal("factory", PACKAGE, RECOVERY).status == 0
    image = intelhex.IntelHex(str(line / HEX))
    image.padding = padding
    flash = bytearray(image.tobinstr(start=0, size=1 << 20))
    for at, found in ((0x80000, padding), (0x80000, other)):
        flash[at] = found
        (line / "dump.bin").write_bytes(flash)
        said = imgseal("factory", PACKAGE, RECOVERY, "--read-back", "dump.bin@0x0")
        differs = [row for row in said.out.splitlines() if row.split()[:1] == ["differs"]]
        assert len(differs) == 1 + (erased == "0x00" and found == other), said.out
        assert ("the rest of slot.motor-b reads as anything" in said.err) == (erased != "0x00")


@pytest.mark.parametrize(
    ("old", "new", "status", "words"),
    [
        ('bootloader = "firmware/bootloader.hex"\n', "", 2, "factory.bootloader"),
        ('bootloader = "firmware/bootloader.hex"\n', 'bootloader = "recovery.hex"\n', 2, "bootloader does not lie in its slot"),
        ("at = 0x0_F000\n\n# -- who", "at = 0x0_E000\n\n# -- who", 2, "settings lies in slot.anchors"),
        ("at = 0x0_F000\n\n# -- who", "\n\n# -- who", 2, "flat binary"),
        ('file = "firmware/settings.bin"', 'file = "nothing.bin"', 3, "cannot read"),
        ('[[factory.range]]\nwhat = "settings"', '[[factory.range]]\nfile = "recovery.hex"\n[[factory.range]]\nwhat = "settings"', 2, "lies in slot.recovery"),
        ('[[factory.range]]\nwhat = "settings"', '[[factory.range]]\nfile = "firmware/settings.bin"\nat = 0xF004\n[[factory.range]]\nwhat = "settings"', 2, "overlaps settings"),
        ('[slot.records]\nmemory = "internal"\nat = 0x1_0000\nsize = "16 KiB"\nholds = "records"', "", 2, 'holds = "records"'),
    ],
)  # fmt: skip
def test_mistakes(imgseal: Imgseal, line: Path, old: str, new: str, status: int, words: str) -> None:
    _edit(line, old, new)
    before = tree(line)
    said = imgseal("factory", PACKAGE, RECOVERY)
    assert (said.status, words in said.err) == (status, True), said.err
    assert "hint: " in said.err
    assert tree(line) == before


def test_what_would_not_start_is_refused(imgseal: Imgseal, line: Path) -> None:
    before = tree(line)
    said = imgseal("factory", RECOVERY)
    assert (said.status, "no package brings motor" in said.err) == (2, True)
    said = imgseal("factory", PACKAGE, PACKAGE)
    assert said.status == 2
    assert "two packages bring motor" in said.err
    said = imgseal("factory", RECOVERY, PACKAGE)
    assert said.status == 2
    assert "the first package is not the release" in said.err
    said = imgseal("factory", "recovery.hex")
    assert (said.status, "structure.unrecognised" in said.err) == (1, True)
    assert tree(line) == before
    assert imgseal("build", *ALL, "--release", "--set", "component.motor.counter=5", "--out", "low").status == 0
    _edit(line, "counters = { motor = 5 }", "counters = { motor = 6 }")
    before = tree(line)
    said = imgseal("factory", "low/vent-drive-2.4.1-17.suit", RECOVERY)
    assert (said.status, "would not start" in said.err) == (1, True), said.err
    assert tree(line) == before


LOG = '\n[log]\npath = "release.log"\n'


def test_the_recovery_image_is_left_out_only_when_that_is_said(imgseal: Imgseal, line: Path) -> None:
    before = tree(line)
    said = imgseal("factory", PACKAGE)
    assert (said.status, ", component.recovery: no package brings recovery" in said.err) == (2, True)
    assert "--without-recovery" in said.err
    assert tree(line) == before
    said = imgseal("factory", PACKAGE, "--without-recovery")
    assert (said.status, "imgseal: left out: recovery" in said.err) == (0, True)
    assert json.loads((line / "factory/factory.json").read_text())["left_out"] == ["recovery"]
    assert imgseal("factory", PACKAGE, RECOVERY).status == 0
    assert json.loads((line / "factory/factory.json").read_text())["left_out"] == []


@pytest.mark.parametrize("role", ["images", "packages"])
@pytest.mark.parametrize("command", ["check", "factory", "rehearse"])
def test_keys_have_to_be_in_force_at_the_line_too(imgseal: Imgseal, line: Path, command: str, role: str) -> None:
    """`check`, `factory` and `rehearse` give one answer, and the day that is judged for instead is said."""
    old = f'["keys/{role}.pub.pem"]'
    _edit(line, old, f'[{{ key = "keys/{role}.pub.pem", until = 2026-06-30 }}]')
    packages = (PACKAGE, RECOVERY) if command == "factory" else (PACKAGE,)
    more = ("--pairs", "0") if command == "rehearse" else ()
    before = tree(line)
    said = imgseal(command, *packages, *more)
    assert (said.status, "trust.key-not-in-force" in said.out + said.err) == (1, True), said.err
    assert tree(line) == before
    said = imgseal(command, *packages, *more, "--as-of", "2026-06-30")
    assert (said.status, "2026-06-30" in said.out + said.err) == (0, True), said.err
    if command == "factory":
        assert json.loads((line / "factory/factory.json").read_text())["judged_for"] == "a fresh device on 2026-06-30"


@pytest.mark.parametrize("command", ["check", "factory", "rehearse"])
@pytest.mark.parametrize(
    ("newer", "code"),
    [
        (("--set", "release.sequence=18"), "rollback.sequence-too-low"),
        (("--set", "release.sequence=18", "--set", "component.motor.counter=7"), "rollback.sequence-too-low"),
    ],
    ids=["sequence", "counter"],
)
def test_no_release_below_the_log_is_programmed(
    imgseal: Imgseal, line: Path, command: str, newer: tuple[str, ...], code: str
) -> None:
    with (line / "imgseal.toml").open("a") as file:
        file.write(LOG)
    assert imgseal("log", "new").status == 0
    recorded = ("--release", "--revision", "abcd")
    own = ("--set", "release.version=1.0.0", "--set", "release.sequence=1", "--out", "own")
    assert imgseal("build", "recovery=recovery.hex", *recorded, *own).status == 0
    assert imgseal("build", *ALL, *recorded, *newer, "--out", "later").status == 0
    recovery = "own/vent-drive-1.0.0-1.suit"
    more = {"factory": (recovery,), "rehearse": ("--pairs", "0"), "check": ()}[command]
    later = "later/vent-drive-2.4.1-18.suit"
    assert imgseal(command, later, *more).status == 0
    said = imgseal(command, PACKAGE, *more)
    assert (said.status, code in said.out + said.err) == (1, True), said.err
    other = int(command != "rehearse")  # the others ask, as the gate does, whether the log has it
    if command != "rehearse":  # which says what device it rehearses on
        (line / "release.log").rename(line / "moved.log")
        said = imgseal(command, PACKAGE, *more)
        assert (said.status, "release.log, log.path: the release log is not there" in said.err) == (2, True), said.err
        (line / "moved.log").rename(line / "release.log")
    # another device than the log's, and it is said
    assert imgseal("device", "new", "unit.json").status == 0
    said = imgseal(command, PACKAGE, *more, "--device", "unit.json")
    assert said.status == other, said.err
    assert ("unit.json" if command != "factory" else PACKAGE) in said.out + said.err
    assert ("gate.not-logged" in said.out + said.err) == bool(other)


def test_a_device_is_compared_whatever_the_log_has_since(imgseal: Imgseal, line: Path) -> None:
    """What was programmed then has been followed, and withdrawn: nobody programs it, and anybody compares it."""
    with open(line / "imgseal.toml", "a") as file:
        file.write(LOG)
    assert imgseal("log", "new").status == 0
    logged = ("--release", "--revision", "abcd")
    own = ("--set", "release.version=1.0.0", "--set", "release.sequence=1", "--out", "recovery")
    assert imgseal("build", "recovery=recovery.hex", *logged, *own).status == 0
    assert imgseal("build", *ALL, *logged).status == 0
    assert imgseal("factory", PACKAGE, RECOVERY).status == 0
    newer = ("--set", "release.version=2.4.2", "--set", "release.sequence=18", "--set", "component.motor.counter=7")
    assert imgseal("build", *ALL, *logged, *newer, "--out", "newer").status == 0
    for withdrawn in (False, True):
        if withdrawn:
            said = imgseal("log", "withdraw", "1", "--why", "its motor runs on")
            assert said.status == 0, said.err
        assert imgseal("factory", PACKAGE, RECOVERY).status == 1
        said = imgseal("factory", PACKAGE, RECOVERY, "--read-back", HEX)
        assert (said.status, "differs" in said.out) == (0, False), said.out + said.err


def test_counters_below_the_log_are_not_programmed(imgseal: Imgseal, line: Path) -> None:
    """What completes the release may have an older sequence, and no lower counter."""
    with (line / "imgseal.toml").open("a") as file:
        file.write(LOG)
    assert imgseal("log", "new").status == 0
    newer = ("--set", "release.version=1.0.1", "--set", "release.sequence=2", "--set", "component.recovery.counter=2")
    recorded = ("--release", "--revision", "abcd")
    assert imgseal("build", "recovery=recovery.hex", *recorded, *newer, "--out", "recovery-2").status == 0
    assert imgseal("build", *ALL, *recorded, "--set", "release.sequence=18", "--out", "later").status == 0
    later = "later/vent-drive-2.4.1-18.suit"
    said = imgseal("factory", later, RECOVERY)
    assert (said.status, "rollback.counter-too-low" in said.err) == (1, True), said.err
    said = imgseal("factory", later, "recovery-2/vent-drive-1.0.1-2.suit")
    assert (said.status, "judged for a device with the numbers of release.log (sequence 18)" in said.err) == (0, True)


def test_recovery_images_have_numbers_of_their_own(imgseal: Imgseal, line: Path) -> None:
    """In the README's order: the release, then the recovery image with its low version and sequence, then the factory."""
    path = line / "imgseal.toml"
    text = path.read_text()
    path.write_text(text.replace("sequence = 17", 'sequence = "next"') + LOG)
    assert imgseal("log", "new").status == 0
    recorded = ("--release", "--revision", "abcd")
    recovery = ("build", "recovery=recovery.hex", *recorded)
    assert imgseal("build", *ALL, *recorded, "--set", "release.sequence=17", "--out", "a").status == 0
    assert imgseal(*recovery, "--set", "release.version=1.0.0", "--out", "r1").status == 0
    assert imgseal(*recovery, "--set", "release.version=1.1.0", "--out", "r2").status == 0
    said = imgseal(*recovery, "--set", "release.version=1.0.5", "--out", "r3")
    assert (said.status, "lower than the last" in said.err) == (2, True)
    said = imgseal(*recovery, "--set", "release.version=1.2.0", "--set", "release.sequence=2", "--out", "r3")
    assert (said.status, "used again" in said.err) == (2, True)
    newer = ("--set", "release.version=2.5.0", "--set", "component.motor.counter=7")
    assert imgseal("build", *ALL, *recorded, *newer, "--out", "b").status == 0
    made = [json.loads(text)["entry"] for text in (line / "release.log").read_text().splitlines()]
    assert [(e["sequence"], e["packages"][0]["variant"]) for e in made] == [
        (17, ""), (1, "/recovery"), (2, "/recovery"), (18, ""),
    ]  # fmt: skip
    shown = imgseal("log", "show").out
    assert [row.endswith("  recovery image alone") for row in shown.splitlines()] == [False, True, True, False]
    assert "/recovery" not in shown + imgseal("log", "show", "1").out
    said = imgseal("factory", "b/vent-drive-2.5.0-18.suit", "r2/vent-drive-1.1.0-2.suit")
    assert (said.status, "numbers of release.log (sequence 18)" in said.err) == (0, True), said.err
    again = imgseal(*recovery, "--set", "release.version=1.0.0", "--out", "again")
    assert "this release is entry 1 of release.log already; nothing was added" in again.err
    said = imgseal("log", "export", "1", "audit", "--package", "r1/vent-drive-1.0.0-1.suit")
    assert said.status == 0, said.err


def test_the_set_that_the_factory_writes_is_no_damaged_update(imgseal: Imgseal, line: Path) -> None:
    assert imgseal("factory", PACKAGE, RECOVERY).status == 0
    path = line / "factory/device.slots/anchors.bin"
    said = imgseal("check", str(path))
    assert (said.status, said.out.split(",")[0]) == (0, "accepted"), said.out
    document = json.loads(imgseal("check", str(path), "--json").out)
    validate(document, json.loads((DOCS / "format" / "verdict.schema.json").read_text()))
    assert document["verdicts"][0]["kind"] == "trust anchor set"
    assert imgseal("check", str(path), "--device", "factory/device.json").status == 0
    # nothing signs it: only the set that is known already is accepted
    (line / "keys" / "images.pub.pem").write_bytes(encode_public(public_key("keys/other")))
    said = imgseal("check", str(path))
    assert (said.status, "trust.not-by-apex" in said.out) == (1, True)
    assert imgseal("check", str(path), "--device", "factory/device.json").status == 0
    data = bytearray(path.read_bytes())
    for at in (0, 20, 36, 100, 160, len(data) - 1):
        damaged = bytes(data[:at]) + bytes([data[at] ^ 1]) + bytes(data[at + 1 :])
        (line / "damaged.bin").write_bytes(damaged)
        assert imgseal("check", "damaged.bin").status == 1, at
    (line / "longer.bin").write_bytes(bytes(data) + b"\xff")
    assert imgseal("check", "longer.bin").status == 1


def test_no_trusted_key_is_left_out_at_a_desk(imgseal: Imgseal, line: Path) -> None:
    """The block of a device on a desk is of all development keys; one whose file is missing was left out in silence."""
    text = (line / "imgseal.toml").read_text()
    _edit(line, 'images = ["keys-dev/images.pub.pem"]', 'images = ["keys-dev/images.pub.pem", "keys-dev/b.pub.pem"]')
    assert "keys-dev/b.pub.pem" not in text
    assert imgseal("build", *ALL).status == 4
    said = imgseal("factory", PACKAGE, RECOVERY, "--development")
    assert (said.status, "trust.development.images" in said.err) == (4, True)


def test_two_packages_may_be_one_release(imgseal: Imgseal, line: Path) -> None:
    """Neither brings all that a fresh device needs; both do."""
    motor_and_phrases = [each for each in ALL if not each.startswith("radio=")]
    radio = [each for each in ALL if each.startswith("radio=")]
    older = ("--set", "release.sequence=1", "--set", "release.version=1.0.0", "--out", "second")
    assert imgseal("build", *motor_and_phrases, "--release", "--out", "first").status == 0
    assert imgseal("build", *radio, "--release", *older).status == 0
    packages = [
        str(path.relative_to(line)) for folder in ("first", "second") for path in (line / folder).glob("*.suit")
    ]
    said = imgseal("factory", *packages, "--without-recovery")
    assert said.status == 0, said.err
    alone = imgseal("factory", packages[0], "--without-recovery", "--out", "alone")
    assert alone.status == 1
