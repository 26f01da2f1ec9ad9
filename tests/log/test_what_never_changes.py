"""A release for devices that are laid out otherwise than those in the field is refused, with who would be stranded."""

import re
from pathlib import Path

import pytest
from workshop import ALL, Imgseal, tree

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

OTHERS = {
    "product.class": ('class = "vent-drive-2"', 'class = "vent-drive-3"'),
    "product.vendor": ("quillmoor.example", "moorquill.example"),
    "component.radio.number": ("number = 2", "number = 7"),
    "component.motor.core": ('core = "cortex-m4"\nvectors = 64\nrun = ["motor-a"', 'core = "cortex-m7"\nvectors = 64\nrun = ["motor-a"'),
    "component.phrases.header_block": ('run = ["phrases"]', 'run = ["phrases"]\nheader_block = 2048'),
    "component.motor.run": ('["motor-a", "motor-b"]', '["motor-b", "motor-a"]'),
    "component.radio.staging": ('staging = "radio-staging"\n', ""),
    "component.recovery": (RECOVERY, ""),
    "slot.radio-staging.at": MOVED,
    "slot.phrases.size": ('size = "8 MiB"', 'size = "4 MiB"'),
    "slot.records.size": ('size = "16 KiB"', 'size = "12 KiB"'),
    "slot.anchors.holds": ('holds = "anchors"\n', ""),
    "memory.nor.base": ("base = 0x6000_0000", "base = 0x7000_0000"),
    "bootloader": ('[bootloader]\nversion = "1.1.0"\nhash_rate = "4 MiB"              # a second\nverify_ms = 110                  # one signature\n', ""),
}  # fmt: skip


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
        assert "put it back as it was" in err
        assert "revision = 1 with the bootloader" in err


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
        assert tree(line) == before
        edit(line, step)
    status, err = release(imgseal, "2.4.2", 18)
    assert status == 0, err
    assert f"layout.revision 1 needs bootloader 2.0.0: it is not for {OLD}, which stay with what they have" in err
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
    assert (status, "slot.radio-staging.at" in err) == (2, True), err
