"""A release for devices that are laid out otherwise than those in the field is refused, with who would be stranded."""

import itertools
import json
import re
from pathlib import Path

import pytest
from long_runs import every_fifth
from workshop import ALL, Imgseal, tree

from imgseal.demo.firmware import code
from imgseal.formats.source.intel_hex_writer import write_intel_hex

LOG = '\n[log]\npath = "release.log"\n'
OLD = "devices of class vent-drive-2 with bootloader 1.1.0, which run releases up to 2.4.1 (entry 0 of release.log)"
REVISION = '\n[layout]\nrevision = 1\nbootloader = "2.0.0"\n'
MOVED = ('at = 0x0_0000\nsize = "128 KiB"\n\n[slot.phrases]', 'at = 0x2_0000\nsize = "128 KiB"\n\n[slot.phrases]')
NEW_BOOTLOADER = ('[bootloader]\nversion = "1.1.0"', '[bootloader]\nversion = "2.0.0"')
NEEDED = ('bootloader = ">=1.1.0"', 'bootloader = ">=2.0.0"')

RECOVERY = """[component.recovery]
number = 4
core = "cortex-m4"
vectors = 64
run = ["recovery"]               # starts when no set can; belongs to none
way_back = "none"
version = "1.0.0"
counter = 1
counter_steps = 64
description = "Takes an update when nothing else starts"
"""

CHIME = """[component.chime]
number = 5
kind = "data"
run = ["chime"]
way_back = "none"
version = "1.0.0"
counter = 1

[slot.chime]
memory = "nor"
at = 0x100_0000
size = "64 KiB"

"""
FACTORY = "# -- what the production line programs"

OTHERS = {
    "product.class": ('class = "vent-drive-2"', 'class = "vent-drive-3"'),
    "product.vendor": ("quillmoor.example", "moorquill.example"),
    "component.radio.number": ("number = 2", "number = 7"),
    "component.motor.core": ('core = "cortex-m4"\nvectors = 64\nrun = ["motor-a"', 'core = "cortex-m7"\nvectors = 64\nrun = ["motor-a"'),
    "component.phrases.header_block": ('run = ["phrases"]', 'run = ["phrases"]\nheader_block = 2048'),
    "component.motor.run": ('["motor-a", "motor-b"]', '["motor-b", "motor-a"]'),
    "component.radio.staging": ('staging = "radio-staging"\n', ""),
    "component.radio.keep": ('keep = "radio-keep"\n', 'way_back = "none"\n'),
    "component.recovery": (RECOVERY, ""),
    "component.chime.number": (FACTORY, CHIME + FACTORY),
    "slot.radio-staging.at": MOVED,
    "slot.phrases.size": ('size = "8 MiB"', 'size = "4 MiB"'),
    "slot.bootloader.size": ('size = "52 KiB"', 'size = "48 KiB"'),
    "slot.motor-b.size": ('at = 0x7_0000\nsize = "320 KiB"', 'at = 0x7_0000\nsize = "316 KiB"'),
    "slot.records.size": ('size = "16 KiB"', 'size = "12 KiB"'),
    "slot.anchors.holds": ('holds = "anchors"\n', ""),
    "memory.nor.base": ("base = 0x6000_0000", "base = 0x7000_0000"),
    "bootloader": ('[bootloader]\nversion = "1.1.0"\nhash_rate = "4 MiB"              # a second\nverify_ms = 110                  # one signature\n', ""),
}  # fmt: skip

UNSEEN = {("component.radio.staging", "slot.radio-staging.at")}
"""A change that leaves nothing of another one: no device has a use for a slot that nothing names."""


@pytest.fixture
def line(project: Path, imgseal: Imgseal) -> Path:
    """A product with one release."""
    edit(project, more=LOG)
    assert imgseal("log", "new").status == 0
    assert release(imgseal, "2.4.1", 17) == (0, "")
    return project


def edit(folder: Path, *pairs: tuple[str, str], more: str = "") -> None:
    path = folder / "imgseal.toml"
    text = path.read_text()
    for old, new in pairs:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    path.write_text(text + more)


def stands_at(key: str, err: str) -> bool:
    """Say whether a message names the key as its place, with a line or without."""
    return re.search(rf"imgseal\.toml(:\d+)?, {re.escape(key)}: ", err) is not None


def named(err: str, folder: Path) -> set[str]:
    """Return the keys whose places a message names; each line is that of the key, or of the table that lacks it."""
    rows = ["", *(folder / "imgseal.toml").read_text().splitlines()]
    keys = set()
    for line, key in re.findall(r"imgseal\.toml(?::(\d+))?, ([a-z0-9_.-]+): ", err):
        table, _, last = key.rpartition(".")
        row = rows[int(line or 0)]
        nearest = [f"[{table}]", *(text for text in rows if text.startswith(f"[{table}."))][:2]
        assert re.match(rf"{last} *=", row) or row in (f"[{key}]", *nearest, ""), (key, row)
        assert (row != "") == (table != ""), (key, row)  # a table that is not there at all has no line
        keys.add(key)
    return keys


def release(imgseal: Imgseal, version: str, sequence: int, *more: str) -> tuple[int, str]:
    numbers = ("--set", f"release.version={version}", "--set", f"release.sequence={sequence}", "--revision", "ab")
    said = imgseal("build", *ALL, "--release", *numbers, "--out", version, *more)
    lines = [text for text in said.err.splitlines(keepends=True) if "logged as entry" not in text]
    return said.status, "".join(lines)


@pytest.mark.parametrize("key", OTHERS)
def test_what_the_log_remembers_is_refused(imgseal: Imgseal, line: Path, key: str) -> None:
    edit(line, OTHERS[key])
    before = tree(line)
    status, err = release(imgseal, "2.4.2", 18)
    assert (status, stands_at(key, err)) == (2, True), err
    assert tree(line) == before
    if key != "bootloader":
        assert OLD in err
        assert "as entry 0 of release.log has it" in err
        assert re.search("(release 2.4.1 with sequence 17)|hint: (put it back|take the component out here)", err)
        assert named(err, line) == {key}
        assert "revision = 1 with the bootloader" in err
        said = imgseal("doctor", "--release")
        assert (said.status, key in said.out) == (1, True), said.out


PAIRS = [(f"{one} {other}", one, other) for one, other in itertools.combinations(OTHERS, 2)]


@pytest.mark.parametrize(("pair", "one", "other"), every_fifth(PAIRS))
def test_of_two_changes_both_are_named(imgseal: Imgseal, line: Path, pair: str, one: str, other: str) -> None:
    edit(line, OTHERS[one], OTHERS[other])
    before = tree(line)
    status, err = release(imgseal, "2.4.2", 18)
    unseen = {hidden for by, hidden in UNSEEN if by in (one, other)}
    assert (status, named(err, line)) == (2, {one, other} - unseen), (pair, err)
    if not {one, other} & {"bootloader", "product.class", "product.vendor"}:
        said = imgseal("doctor", "--release").out
        assert {key for key in (one, other) if f", {key}: " in said} == {one, other} - unseen, said
    assert tree(line) == before


def test_a_variants_own_key_is_named(imgseal: Imgseal, line: Path) -> None:
    """Not the product's, which is as it was: the line that somebody has to change is the variant's."""
    edit(line, more="\n[variant.rev1]\n")
    assert release(imgseal, "2.4.2", 18, "--variant", "rev1") == (0, "")
    edit(
        line, more="\n[variant.rev1.slot.radio-staging]\nat = 0x2_0000\n[variant.rev1.component.recovery]\nnumber = 9\n"
    )
    last = len((line / "imgseal.toml").read_text().splitlines())
    status, err = release(imgseal, "2.4.3", 19, "--variant", "rev1")
    assert status == 2
    assert f"imgseal.toml:{last - 2}, variant.rev1.slot.radio-staging.at: " in err, err
    assert f"imgseal.toml:{last}, variant.rev1.component.recovery.number: " in err, err


def test_no_device_takes_a_component_that_is_new(imgseal: Imgseal, line: Path) -> None:
    """That is why one is refused: what devices have compiled in refuses its image (docs/decisions/081)."""
    edit(line, OTHERS["component.chime.number"])
    status, err = release(imgseal, "2.4.2", 18)
    assert (status, "hint: take the component out here" in err) == (2, True), err
    edit(line, (LOG, ""))
    (line / "chime.bin").write_bytes(bytes(range(256)))
    numbers = ("--set", "release.version=2.4.2", "--set", "release.sequence=18")
    said = imgseal("build", *ALL, "chime=chime.bin@0x61000400", "--release", *numbers)
    assert said.status == 0, said.err
    edit(line, (CHIME, ""))
    said = imgseal("check", "out/vent-drive-2.4.2-18.suit")
    assert (said.status, "identity.unknown-component" in said.out) == (1, True), said.out


def test_what_devices_do_not_know_of_may_change(imgseal: Imgseal, line: Path) -> None:
    edit(
        line, ("[component.recovery]", "[component.spare]"), ("[slot.radio-keep]", "[slot.radio-old]"), ('keep = "radio-keep"', 'keep = "radio-old"'),
        ('description = "Spoken phrases"', 'description = "What it says"'),
        more='\n[slot.spare]\nmemory = "nor"\nat = 0x200_0000\nsize = "64 KiB"\n',
    )  # fmt: skip
    assert release(imgseal, "2.4.2", 18) == (0, "")
    edit(line, ("at = 0x200_0000", "at = 0x300_0000"))
    assert release(imgseal, "2.4.3", 19) == (0, "")


def test_a_revision_comes_with_its_bootloader(imgseal: Imgseal, line: Path) -> None:
    """Each step that is left out is refused; with all of them the release says who is left behind."""
    edit(line, MOVED, more="\n[layout]\nrevision = 1\n")
    steps = [
        ("layout.bootloader", ("revision = 1\n", 'revision = 1\nbootloader = "1.2.0"\n')),
        ("layout.bootloader", ('bootloader = "1.2.0"', 'bootloader = "1.1.0"')),
        ("layout.bootloader", ('bootloader = "1.1.0"\n', 'bootloader = "2.0.0"\n')),
        ("layout.bootloader", NEW_BOOTLOADER),
        ("component.motor.needs", NEEDED),
    ]
    for key, step in steps:
        before = tree(line)
        status, err = release(imgseal, "2.4.2", 18)
        assert (status, stands_at(key, err)) == (2, True), err
        assert ('hint: raise [bootloader] version to "2.0.0"' in err) == (step is NEW_BOOTLOADER), err
        assert tree(line) == before
        edit(line, step)
    status, err = release(imgseal, "2.4.2", 18)
    assert status == 0, err
    assert f"layout.revision 1 needs bootloader 2.0.0: it is not for {OLD}. They stay with what they have" in err
    assert release(imgseal, "2.4.3", 19) == (0, "")
    edit(line, NEEDED[::-1])
    assert "does not ask for the bootloader" in release(imgseal, "2.4.4", 20)[1]
    edit(line, NEEDED, ("revision = 1\nbootloader", "revision = 2\nbootloader"))
    assert "in the field already" in release(imgseal, "2.4.4", 20)[1]
    edit(line, ('revision = 2\nbootloader = "2.0.0"\n', ""), MOVED[::-1])
    status, err = release(imgseal, "2.4.4", 20)
    assert (status, "layout.revision" in err) == (2, True), err


def test_another_class_is_meant_where_it_is_said(imgseal: Imgseal, line: Path) -> None:
    edit(line, OTHERS["product.class"], MOVED)
    assert release(imgseal, "1.0.0", 1)[0] == 2
    edit(line, more='\n[layout]\nrevision = 1\nbootloader = "1.1.0"\n')
    assert release(imgseal, "1.0.0", 1) == (0, "")
    assert release(imgseal, "1.0.1", 2) == (0, "")


def test_another_product_has_a_layout_of_its_own(imgseal: Imgseal, line: Path) -> None:
    edit(line, OTHERS["product.class"], MOVED, ('name = "vent-drive"', 'name = "vent-drive-3"'))
    assert release(imgseal, "1.0.0", 1) == (0, "")


def test_a_variant_that_is_renamed_is_known_by_its_layout(imgseal: Imgseal, line: Path) -> None:
    """Devices know their class alone; a variant of it that is laid out otherwise is none of these devices."""
    edit(line, more="\n[variant.rev1]\n\n[variant.rev2.slot.radio-staging]\nat = 0x2_0000\n")
    assert release(imgseal, "2.4.2", 18, "--variant", "rev1") == (0, "")
    status, err = release(imgseal, "2.4.3", 19, "--variant", "rev2")
    assert (status, "variant.rev2.slot.radio-staging.at" in err) == (2, True), err
    assert "variant rev2 with bootloader" not in err  # there is no such device


SWAPPED = (
    ('[slot.radio]\nmemory = "internal"\nat = 0xC_0000', '[slot.radio]\nmemory = "internal"\nat = 0xE_0000'),
    ('[slot.radio-keep]\nmemory = "internal"\nat = 0xE_0000', '[slot.radio-keep]\nmemory = "internal"\nat = 0xC_0000'),
)


def test_devices_are_judged_as_the_log_says(imgseal: Imgseal, line: Path) -> None:
    """Not as the product file says today, which would find the image of the radio linked for another place."""
    assert release(imgseal, "2.4.2", 18) == (0, "")
    package = "2.4.2/vent-drive-2.4.2-18.suit"
    edit(line, *SWAPPED)
    said = imgseal("check", package)
    assert (said.status, "  layout    entry 0 of release.log\n" in said.out) == (0, True), said.out
    assert json.loads(imgseal("check", package, "--json").out)["verdicts"][0]["layout"]["entry"] == 0
    assert imgseal("gate", "2.4.2").status == 0
    said = imgseal("gate", "2.4.2", "--previous", "2.4.1/vent-drive-2.4.1-17.suit")
    assert (said.status, "placement.wrong-address" in said.out) == (0, False), said.out
    said = imgseal("rehearse", package, "--previous", "2.4.1/vent-drive-2.4.1-17.suit", "--pairs", "0")
    assert (said.status, "laid out as entry 0 of release.log" in said.out) == (0, True), said.err
    said = imgseal("doctor", "--release")
    assert "slot.radio.at: 0x000e0000; entry 0 of release.log has first byte at 0x000c0000" in said.out
    edit(line, (LOG, ""))
    said = imgseal("check", package)
    assert (said.status, "placement.wrong-address" in said.out, "layout" in said.out) == (1, True, False)


def test_a_device_has_the_layout_of_its_bootloader(imgseal: Imgseal, line: Path) -> None:
    """What was released for either layout is judged by that layout, for the devices that have it."""
    edit(line, *SWAPPED, NEW_BOOTLOADER, NEEDED, more=REVISION)
    text = (line / "motor-a.hex").read_text()
    link(line, 0xE0400)
    files = [*ALL[:2], "radio=radio-e.hex", ALL[3]]
    numbers = ("--set", "release.version=2.4.2", "--set", "release.sequence=18", "--revision", "ab")
    said = imgseal("build", *files, "--release", *numbers, "--out", "2.4.2")
    assert said.status == 0, said.err
    assert text == (line / "motor-a.hex").read_text()
    old, new = "2.4.1/vent-drive-2.4.1-17.suit", "2.4.2/vent-drive-2.4.2-18.suit"
    for bootloader, package, entry, status in (
        ("1.1.0", old, 0, 0), ("2.0.0", new, 1, 0), ("2.0.0", old, 1, 1), ("1.1.0", new, 0, 1),
    ):  # fmt: skip
        state: dict[str, object] = {"format": 1, "hardware": 2, "sequence": 16, "manifest_digest": None, "counters": {}}
        (line / "d.json").write_text(json.dumps({**state, "bootloader": bootloader, "authorised": True}))
        said = imgseal("check", package, "--device", "d.json")
        assert (said.status, f"  layout    entry {entry} of release.log\n" in said.out) == (status, True), said.out
    edit(line, (REVISION, ""), *(pair[::-1] for pair in SWAPPED))  # an old product file with the log of today
    assert imgseal("check", new).status == 0


def link(folder: Path, at: int) -> None:
    """Write firmware of the radio that is linked for another place."""
    data = code("radio", link=at, size=3001, vectors=48, stack=0x2002_0000)
    (folder / "radio-e.hex").write_bytes(b"".join(write_intel_hex([(at, data)])))


def test_a_component_that_is_gone_says_so(imgseal: Imgseal, line: Path) -> None:
    """Today's product file has no facts about it: nothing is assumed."""
    edit(line, (RECOVERY, ""))
    said = imgseal("check", "2.4.1/vent-drive-2.4.1-17.suit")
    assert (said.status, "says too little of the devices" in said.err) == (2, True), said.err
