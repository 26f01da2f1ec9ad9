"""`imgseal build`: what is written, that it is the same everywhere, and that a failure leaves nothing behind."""

import hashlib
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from workshop import ALL, Imgseal, tree, write_project

from imgseal.demo.firmware import code


def test_release_build(imgseal: Imgseal, project: Path) -> None:
    said = imgseal("build", *ALL, "--release", "--depfile", "out/fw.d", "--revision", "ab" * 20)
    assert said.status == 0, said.err
    assert "motor 2.4.1 in motor-a: 5.9 of 319.0 KiB; counter 6 of 64" in said.out
    names = sorted(p.name for p in (project / "out").iterdir())
    assert names == [
        "fw.d", "motor-a.sealed.bin", "motor-b.sealed.bin", "phrases.sealed.bin", "radio.sealed.bin", "release.json",
        "vent-drive-2.4.1-17.suit",
    ]  # fmt: skip
    assert imgseal("check", "out/vent-drive-2.4.1-17.suit", "out/radio.sealed.bin").status == 0
    document = json.loads((project / "out" / "release.json").read_text())
    assert (document["version"], document["sequence"], document["development"]) == ("2.4.1", 17, False)
    for entry in document["files"]:
        data = (project / "out" / entry["path"]).read_bytes()
        assert (len(data), hashlib.sha256(data).hexdigest()) == (entry["size"], entry["sha256"])
    assert {entry.get("slot") for entry in document["files"]} == {None, "motor-a", "motor-b", "radio", "phrases"}


def test_a_build_says_what_it_leaves_and_what_it_takes_the_place_of(imgseal: Imgseal, project: Path) -> None:
    """An image of the build before would look like a part of this one; two releases with one sequence fork the field."""
    open_ = "imgseal: motor-a, motor-b: needs bootloader >=1.1.0: open, whether every device in the field has one\n"
    assert imgseal("build", *ALL, "--release").err == open_  # there is no log
    assert imgseal("build", *ALL, "--release").err == open_  # byte for byte the same
    few = [argument for argument in ALL if not argument.startswith("phrases=")]
    said = imgseal("build", *few, "--release")
    assert said.status == 0
    assert "out/phrases.sealed.bin is of an earlier build, and no part of this one; remove it" in said.err
    assert "another release 2.4.1 with sequence 17 was in out and has been replaced" in said.err
    (project / "out/phrases.sealed.bin").unlink()
    assert imgseal("build", *few, "--release").err == open_
    assert imgseal("build", *ALL, "--release", "--set", "release.sequence=18").err == open_
    assert imgseal("build", *few).err.count("earlier build") == 1  # development builds replace each other all day
    for text in ("{}", "[]", '{"files": 5}', "nonsense"):
        (project / "out/release.json").write_text(text)
        assert imgseal("build", *ALL, "--release").err == open_


def test_symbols_behind_the_end_record(imgseal: Imgseal, project: Path) -> None:
    """Refused, or left out with a note where the product file says so; the gate refuses them either way."""
    assert imgseal("build", *ALL, "--release", "--out", "plain").status == 0
    hex_file = project / "motor-a.hex"
    hex_file.write_bytes(
        hex_file.read_bytes() + b":04500000 symbols\n:045000006D61696E07\n".replace(b" symbols", b"6D61696E07")
    )
    said = imgseal("build", *ALL, "--release")
    assert said.status == 3
    assert "a record follows the end record" in said.err
    assert '[firmware] after_end = "ignore"' in said.err
    file = project / "imgseal.toml"
    file.write_text(file.read_text() + '\n[firmware]\nafter_end = "ignore"\n')
    said = imgseal("build", *ALL, "--release")
    assert said.status == 0, said.err
    assert "motor-a.hex: 2 records behind the end record in line " in said.err
    assert (project / "out/motor-a.sealed.bin").read_bytes() == (project / "plain/motor-a.sealed.bin").read_bytes()
    (project / "out" / "motor-a.hex").write_bytes(hex_file.read_bytes())
    gate = imgseal("gate", "out", "--fresh")
    assert gate.status == 1
    assert "refused: out/motor-a.hex (Intel HEX)" in gate.out
    assert "a record follows the end record" in gate.out
    file.write_text(file.read_text().replace('"ignore"', '"skip"'))
    said = imgseal("build", *ALL, "--release")
    assert (said.status, "firmware.after_end" in said.err, '"refuse" or "ignore"' in said.err) == (2, True, True)


def test_second_build_says_what_changed(imgseal: Imgseal, project: Path) -> None:
    imgseal("build", *ALL, "--release")
    from imgseal.demo.firmware import phrases

    (project / "phrases.bin").write_bytes(phrases("phrases", 4000 + 2048))
    said = imgseal("build", *ALL, "--release")
    assert "phrases 1.0.4 in phrases: 5.9 of 8191.0 KiB, +2.0; counter 1" in said.out
    assert "motor 2.4.1 in motor-a: 5.9 of 319.0 KiB, +0.0; counter 6 of 64" in said.out


def test_make_takes_the_dep_file(imgseal: Imgseal, project: Path) -> None:
    """The rule names release.json, whose name never changes, and every input; each input may go. GNU Make reads it."""
    imgseal("build", *ALL, "--release", "--out", "o u t", "--depfile", "fw.d")
    text = (project / "fw.d").read_text()
    assert text.startswith("o\\ u\\ t/release.json: ")
    assert ".suit" not in text
    for name in ("motor-a.hex", "radio.bin", "imgseal.toml", "keys/images.pub.pem"):
        assert f"  {name}" in text
        assert f"\n{name}:\n" in text
    assert "keys/images.pem" not in text


def test_development_build_is_marked(imgseal: Imgseal, project: Path) -> None:
    assert imgseal("build", *ALL).status == 0
    package = "out/vent-drive-2.4.1-17-development.suit"
    assert (project / package).exists()
    refused = imgseal("check", package)
    assert refused.status == 1
    assert "signature.wrong-key" in refused.out
    assert "development" in refused.out
    accepted = imgseal("check", package, "--development")
    assert accepted.status == 0
    assert "made for  development" in accepted.out


def test_development_needs_no_release_keys(imgseal: Imgseal, project: Path) -> None:
    """`imgseal init`, development keys, build: release keys can come later."""
    for name in ("images", "packages"):
        (project / "keys" / f"{name}.pem").unlink()
        (project / "keys" / f"{name}.pub.pem").unlink()
    assert imgseal("build", *ALL).status == 0
    said = imgseal("build", *ALL, "--release")
    assert said.status == 4
    assert "imgseal key new" in said.err


def test_sealed_images_are_kept_byte_for_byte(imgseal: Imgseal, project: Path) -> None:
    imgseal("build", *ALL, "--release")
    before = (project / "out" / "radio.sealed.bin").read_bytes()
    os.environ["SOURCE_DATE_EPOCH"] = "1800000000"
    again = imgseal("build", *ALL[:2], "radio=out/radio.sealed.bin", ALL[3], "--release", "--out", "next",
                    "--set", "release.sequence=18")  # fmt: skip
    assert again.status == 0, again.err
    assert (project / "next" / "radio.sealed.bin").read_bytes() == before
    assert (project / "next" / "motor-a.sealed.bin").read_bytes() != (
        project / "out" / "motor-a.sealed.bin"
    ).read_bytes()


def test_a_sealed_image_that_does_not_fit_is_named(imgseal: Imgseal, project: Path) -> None:
    """Of several that are kept only its slot says which one it is."""
    assert imgseal("build", *ALL).status == 0
    path = project / "imgseal.toml"
    path.write_text(path.read_text().replace('class = "vent-drive-2"', 'class = "vent-drive-3"'))
    said = imgseal("build", *ALL[:3], "phrases=out/phrases.sealed.bin", "--out", "three")
    assert (said.status, (project / "three").exists()) == (1, False)
    assert "imgseal's own judge refuses this package: identity.wrong-class (phrases): made for another" in said.err


def test_same_bytes_on_any_machine(imgseal: Imgseal, project: Path) -> None:
    """RFC 6979 and SOURCE_DATE_EPOCH: another process, locale, time zone, hash seed and folder give the same files."""
    imgseal("build", *ALL, "--release")
    elsewhere = project / "else where"
    elsewhere.mkdir()
    for name in ("imgseal.toml", "motor-a.hex", "motor-b.hex", "radio.bin", "phrases.bin"):
        (elsewhere / name).write_bytes((project / name).read_bytes())
    for folder in ("keys", "keys-dev"):
        (elsewhere / folder).symlink_to(project / folder)
    environment = {
        **os.environ, "TZ": "Asia/Kathmandu", "LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8", "PYTHONHASHSEED": "7",
    }  # fmt: skip
    subprocess.run(
        [sys.executable, "-m", "imgseal", "build", *ALL, "--release"],
        cwd=elsewhere, env=environment, check=True, capture_output=True,
    )  # fmt: skip
    assert tree(elsewhere / "out") == tree(project / "out")


def test_build_time_and_revision_are_in_the_statement(imgseal: Imgseal, project: Path) -> None:
    imgseal("build", *ALL, "--release", "--revision", "0123456789abcdef")
    shown = json.loads(imgseal("show", "out/radio.sealed.bin", "--json").out)
    assert (shown["build_time"], shown["source_revision"]) == (1_764_072_000, "0123456789abcdef")


def test_variants(imgseal: Imgseal, project: Path) -> None:
    text = (project / "imgseal.toml").read_text()
    variants = '\n[variant.north]\nclass = "vent-drive-2-north"\n\n[variant.south]\nhardware = "4..4"\ncomponent.radio.counter = 9\n'
    (project / "imgseal.toml").write_text(text + variants)
    assert imgseal("build", *ALL, "--release", "--variant", "all").status == 0
    assert imgseal("check", "out/north/vent-drive-north-2.4.1-17.suit", "--variant", "north").status == 0
    found = imgseal("check", "out/north/motor-a.sealed.bin")
    assert (found.status, "judged by imgseal.toml, variant north" in found.out) == (0, True)
    refused = imgseal("check", "out/north/motor-a.sealed.bin", "--variant", "south")
    assert "identity.wrong-class" in refused.out
    assert "--variant north" in refused.out
    south = json.loads(imgseal("show", "out/south/radio.sealed.bin", "--json").out)
    assert (south["counter"], south["hardware"]) == (9, "4..4")
    assert imgseal("build", *ALL, "--release", "--variant", "north", "--out", "one").status == 0
    unknown = imgseal("build", *ALL, "--variant", "west")
    assert unknown.status == 2
    assert "north, south" in unknown.err


def test_variants_of_other_classes_share_the_next_number(imgseal: Imgseal, project: Path) -> None:
    """They are one release and one entry, though the log has given another number to each class."""
    text = (project / "imgseal.toml").read_text().replace("sequence = 17", 'sequence = "next"', 1)
    assert 'sequence = "next"' in text
    more = '\n[variant.north]\nclass = "vent-drive-2-north"\n\n[variant.south]\n\n[log]\npath = "release.log"\n'
    (project / "imgseal.toml").write_text(text + more)
    assert imgseal("log", "new").status == 0
    recorded = ("--release", "--revision", "abcd")
    for version in ("2.4.1", "2.4.2"):
        assert imgseal("build", *ALL, *recorded, "--set", f"release.version={version}").status == 0
    said = imgseal("build", *ALL, *recorded, "--set", "release.version=2.5.0", "--variant", "all", "--out", "all")
    assert said.status == 0, said.err
    assert sorted(path.name for path in (project / "all").rglob("*.suit")) == [
        "vent-drive-north-2.5.0-3.suit",
        "vent-drive-south-2.5.0-3.suit",
    ]
    assert len((project / "release.log").read_text().splitlines()) == 3


def test_firmware_for_each_variant(imgseal: Imgseal, project: Path) -> None:
    """Hardware that differs: another slot for the radio, and a build that is linked for it, in one release."""
    text = (project / "imgseal.toml").read_text()
    variants = """
[variant.rev1]
class = "vent-drive-2-rev1"
[variant.rev1.slot.radio]
at = 0xC_8000
size = "96 KiB"
[variant.rev2]
class = "vent-drive-2-rev2"
"""
    (project / "imgseal.toml").write_text(text + variants)
    data = code("radio rev1", link=0xC8400, size=3001, vectors=48, stack=0x2002_0000)
    (project / "radio-rev1.bin").write_bytes(data)
    arguments = [*ALL, "rev1:radio=radio-rev1.bin@0xC8400"]
    said = imgseal("build", *arguments, "--release", "--variant", "all")
    assert said.status == 0, said
    for variant, payload in (("rev1", data), ("rev2", (project / "radio.bin").read_bytes())):
        folder = project / "out" / variant
        assert payload in (folder / "radio.sealed.bin").read_bytes()
        package = f"out/{variant}/vent-drive-{variant}-2.4.1-17.suit"
        checked = imgseal("check", package)
        assert (checked.status, f"judged by imgseal.toml, variant {variant}" in checked.out) == (0, True)
        alone = imgseal("build", *arguments, "--release", "--variant", variant, "--out", f"alone-{variant}")
        if variant == "rev1":
            assert alone.status == 0, alone
            assert tree(folder) == tree(project / f"alone-{variant}")
        else:
            assert (alone.status, "firmware for a variant that is not built" in alone.err) == (2, True)
    assert imgseal("gate", "out", "--fresh").status == 0


MISTAKES = [
    (("motor",), 2, "NAME=FILE"),
    (("motr=motor-a.hex",), 2, "did you mean motor?"),
    (("motor=nothing.hex",), 3, "No such file"),
    (("radio=radio.bin",), 2, "radio.bin@0x60000"),
    (("radio=radio.bin@here",), 2, "no number"),
    (("motor=motor-a.hex@0x20400",), 2, "has its own addresses"),
    (("radio=motor-a.hex",), 2, "is this motor's file?"),
    (("radio=radio.bin@0xC0000",), 2, "ORIGIN = 0x000c0400, LENGTH = 0x1fc00"),
    (("radio=radio.bin@0xDFFF0",), 2, "does not fit radio"),
    (("motor=motor-a.hex", "motor=motor-a.hex"), 2, "two images for one run slot"),
    (("motor=imgseal.toml",), 2, "NAME=FILE" if False else "flat binary"),
    (("motor=keys/images.pem",), 3, "no firmware"),
    (("motor=motor-a.hex", "--set", "product.name=x"), 2, "--set cannot replace"),
    (("motor=motor-a.hex", "--set", "release.name=x"), 2, "--set cannot replace"),
    (("motor=motor-a.hex", "--set", "release.version=2"), 2, "gives a version that is none"),
    (("motor=motor-a.hex", "--set", "release.version"), 2, "KEY=VALUE"),
    (("motor=motor-a.hex", "--set", "component.motr.counter=2"), 2, "does not have"),
    (("motor=motor-a.hex", "--set", "component.motor.counter=65"), 2, "counter storage"),
    (("motor=motor-a.hex", "--revision", "xyz"), 2, "hex digits"),
    (("motor=motor-a.hex", "--out", "motor-a.hex"), 3, "cannot write"),
    (("motor=motor-a.hex", "--depfile", "imgseal.toml"), 2, "overwrite another file"),
    (("motor=motor-a.hex", "--product", "nothing.toml"), 3, "cannot read this product file"),
    (("motor=motor-a.hex", "--relase"), 2, "--release"),
    ((), 2, "Missing argument"),
]


@pytest.mark.parametrize(("arguments", "status", "words"), MISTAKES, ids=[" ".join(m[0]) or "none" for m in MISTAKES])
def test_mistakes(imgseal: Imgseal, project: Path, arguments: tuple[str, ...], status: int, words: str) -> None:
    """Each mistake is named with what to do, has its exit status, and changes no file."""
    before = tree(project)
    said = imgseal("build", *arguments)
    assert said.status == status, said.err
    assert words in said.err
    assert said.out == ""
    assert tree(project) == before
    assert not (project / "out").exists()


def test_failure_leaves_earlier_outputs_as_they_were(imgseal: Imgseal, project: Path) -> None:
    imgseal("build", *ALL, "--release")
    before = tree(project)
    (project / "radio.bin").write_bytes(b"\xff" * 3001)
    said = imgseal("build", *ALL, "--release")
    assert said.status == 1
    assert "imgseal's own judge refuses" in said.err
    assert "content." in said.err
    (project / "radio.bin").write_bytes(before["radio.bin"])
    assert tree(project) == before


def test_data_outside_the_slot(imgseal: Imgseal, project: Path) -> None:
    """Silently losing data bricks boards: it is refused, or dropped, or carried, as the product file says."""
    from imgseal.formats.source.intel_hex_writer import write_intel_hex

    image = (project / "motor-a.hex").read_bytes().removesuffix(b":00000001FF\n")
    extra = b"".join(write_intel_hex([(0x1000_1000, b"settings")]))
    (project / "motor-a.hex").write_bytes(image + extra)
    said = imgseal("build", "motor=motor-a.hex", "--release")
    assert said.status == 2
    assert "data lies outside motor-a" in said.err
    assert "[[component.motor.outside]] at = 0x10001000, size = 8" in said.err
    text = (project / "imgseal.toml").read_text()
    outside = "\n[[component.motor.outside]]\nat = 0x1000_1000\nsize = 16\n"
    (project / "imgseal.toml").write_text(text + outside + "drop = true\n")
    assert imgseal("build", "motor=motor-a.hex", "motor=motor-b.hex", "--release").status == 0
    carried = text.replace(
        "[memory.ram]", "[memory.fuses]\nbase = 0x1000_1000\nsize = 16\nerase_block = 16\n\n[memory.ram]"
    )
    carried += '\n[slot.fuses]\nmemory = "fuses"\nat = 0\nsize = 16\n'
    carried += '\n[slot.fuses-header]\nmemory = "nor"\nat = 0x4_0000\nsize = "64 KiB"\n'
    fuses = '\n[component.fuses]\nnumber = 5\nkind = "data"\nrun = ["fuses"]\ncounter = 0\n'
    (project / "imgseal.toml").write_text(carried + fuses + outside + 'carry = "fuses"\n')
    said = imgseal("build", "motor=motor-a.hex", "--release")
    assert said.status == 2
    assert "component.fuses.header_block" in said.err
    (project / "imgseal.toml").write_text(
        carried + fuses + 'header = ["fuses-header"]\n' + outside + 'carry = "fuses"\n'
    )
    said = imgseal("build", *ALL[:3], "--release", "--out", "carried")
    assert said.status == 0, said.err
    assert (project / "carried" / "fuses.payload.bin").read_bytes() == b"settings"
    assert imgseal("check", "carried/vent-drive-2.4.1-17.suit").status == 0
    assert imgseal("check", "carried/fuses.header.bin", "--payload", "carried/fuses.payload.bin").status == 0
    assert imgseal("pack", "carried/fuses.header.bin", "--release", "--out", "again").status == 0
    assert imgseal("seal", "motor-a.hex", "--component", "motor", "--release", "--hex").status == 0
    assert imgseal("check", "fuses.header.hex", "--payload", "fuses.payload.hex").status == 0
    import intelhex

    assert intelhex.IntelHex("fuses.payload.hex").todict() == dict(enumerate(b"settings", 0x1000_1000))
    assert intelhex.IntelHex("fuses.header.hex").minaddr() == 0x6004_0000


def test_same_inputs_in_any_order_give_the_same_package(imgseal: Imgseal, project: Path) -> None:
    imgseal("build", *ALL, "--release", "--out", "one")
    imgseal("build", *reversed(ALL), "--release", "--out", "two")
    name = "vent-drive-2.4.1-17.suit"
    assert (project / "one" / name).read_bytes() == (project / "two" / name).read_bytes()


def test_source_date_epoch_that_is_none(imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for text in ("", "yesterday", "-1", "1e9", "٣"):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", text)
        said = imgseal("build", *ALL)
        assert said.status == 2
        assert "SOURCE_DATE_EPOCH" in said.err


@pytest.mark.parametrize("command", ["build", "seal"])
def test_a_component_that_there_is_not_is_named_first(imgseal: Imgseal, project: Path, command: str) -> None:
    """Whatever else is wrong with its file: docs/mistakes.md."""
    argument = ("motr=nowhere.hex",) if command == "build" else ("nowhere.hex", "--component", "motr")
    said = imgseal(command, *argument)
    assert said.status == 2
    assert "did you mean motor?" in said.err
    assert "motor, radio, phrases, recovery" in said.err


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644])
@pytest.mark.parametrize("role", ["images", "packages"])
@pytest.mark.parametrize("passphrase", [None, b"a pass phrase"])
def test_a_release_key_that_others_can_open(
    imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch, mode: int, role: str, passphrase: bytes | None
) -> None:
    """Refused, encrypted or not, with the command that mends it; nothing is written."""
    write_project(project, passphrase=passphrase)
    monkeypatch.setenv("IMGSEAL_PASSPHRASE", "a pass phrase")
    (project / f"keys/{role}.pem").chmod(mode)
    before = tree(project)
    said = imgseal("build", *ALL, "--release")
    assert said.status == 4
    assert f"keys/{role}.pem: others on this machine can open this private key" in said.err
    assert f"found: mode {mode:04o}" in said.err
    assert f"chmod 600 keys/{role}.pem" in said.err
    assert tree(project) == before
    (project / f"keys/{role}.pem").chmod(0o400)
    assert imgseal("build", *ALL, "--release").status == 0


def test_a_development_key_that_others_can_open_is_said(imgseal: Imgseal, project: Path) -> None:
    """It is nothing unusual in a checkout."""
    for role in ("images", "packages"):
        (project / f"keys-dev/{role}.pem").chmod(0o644)
    note = "keys-dev/{}.pem: others on this machine can read this development key"
    commands = {
        ("build", *ALL): ("images", "packages"),
        ("seal", "--component", "phrases", "phrases.bin@0x60080400", "--out", "one.bin"): ("images", "packages"),
        ("pack", "out/phrases.sealed.bin", "--out", "alone"): ("images", "packages"),
    }
    for arguments, roles in commands.items():
        said = imgseal(*arguments)
        assert said.status == 0, said.err
        assert all(note.format(role) in said.err for role in roles), said.err
    for role in ("images", "packages"):
        (project / f"keys-dev/{role}.pem").chmod(0o600)
    assert "others" not in imgseal("build", *ALL).err
    (project / "keys/images.pub.pem").chmod(0o644)


def test_other_commands_that_sign_refuse_it_too(imgseal: Imgseal, project: Path) -> None:
    (project / "keys/packages.pem").chmod(0o644)
    assert imgseal("build", *ALL).status == 0
    package = next((project / "out").glob("*.suit"))
    said = imgseal("sign", str(package), "--key", "keys/packages.pem", "--out", "signed.suit")
    assert (said.status, "chmod 600 keys/packages.pem" in said.err) == (4, True)


def test_a_release_candidate_stays_one(imgseal: Imgseal, project: Path) -> None:
    """Its label goes into the package and comes out of it, wherever a version is shown: it never ships as the release."""
    assert imgseal("build", *ALL, "--release", "--set", "release.version=2.4.1-rc.1").status == 0
    (package,) = (project / "out").glob("*.suit")
    assert package.name == "vent-drive-2.4.1-rc.1-17.suit"
    assert json.loads((project / "out/release.json").read_text())["version"] == "2.4.1-rc.1"
    assert re.search(r"^  release +2\.4\.1-rc\.1$", imgseal("check", str(package)).out, re.MULTILINE)
    details = json.loads(imgseal("check", str(package), "--json").out)["verdicts"][0]["details"]
    assert {"label": "release", "text": "2.4.1-rc.1"} in details
    assert imgseal("report", str(package), "--format", "json", "--out", "r.json").status == 0
    assert '"2.4.1-rc.1"' in (project / "r.json").read_text()
