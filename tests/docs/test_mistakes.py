"""docs/mistakes.md: each of them is made, and imgseal says what the page says it says."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from channel_product import build, make_channels, promote
from test_sign_later import replaced
from workshop import ALL, Imgseal, Said, private_key

PAGE = (Path(__file__).parents[2] / "docs" / "mistakes.md").read_text()
ROWS = re.findall(r"^\| `(.+?)` \| (.+?) \| (.+?) \|$", PAGE, re.MULTILINE)
Make = Callable[[Imgseal, Path, pytest.MonkeyPatch], Said]


def product(old: str, new: str, *command: str) -> Make:
    def make(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
        replaced(project, old, new)
        return imgseal(*(command or ("build", *ALL)))

    return make


def elsewhere(imgseal: Imgseal, project: Path, patch: pytest.MonkeyPatch) -> Said:
    (project / "empty").mkdir()
    (project / "imgseal.toml").rename(project / "other.toml")
    patch.chdir(project / "empty")
    return imgseal("build", *ALL)


def linked_elsewhere(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    from imgseal.demo.firmware import code
    from imgseal.formats.source.intel_hex_writer import write_intel_hex

    data = code("motor", link=0x20000, size=6000, vectors=64, stack=0x2002_0000)
    (project / "motor-a.hex").write_bytes(b"".join(write_intel_hex([(0x20000, data)])))
    return imgseal("build", *ALL)


def too_large(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    (project / "radio.bin").write_bytes((project / "radio.bin").read_bytes().ljust(200_000, b"\x01"))
    return imgseal("build", *ALL)


def damaged_hex(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    lines = (project / "motor-a.hex").read_text().splitlines()
    lines[3] = lines[3][:-2] + ("00" if lines[3][-2:] != "00" else "01")
    (project / "motor-a.hex").write_text("\n".join(lines) + "\n")
    return imgseal("build", *ALL)


def without_key(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    (project / "keys/images.pem").unlink()
    return imgseal("build", *ALL, "--release")


def encrypted(phrase: str | None) -> Make:
    def make(imgseal: Imgseal, project: Path, patch: pytest.MonkeyPatch) -> Said:
        from imgseal.keys.pem import encode_private

        (project / "keys/images.pem").write_bytes(encode_private(private_key("keys/images"), b"right"))
        if phrase is not None:
            patch.setenv("IMGSEAL_PASSPHRASE", phrase)
        return imgseal("build", *ALL, "--release")

    return make


def by_a_stranger(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    imgseal("build", *ALL, "--release")
    from workshop import resealed

    (project / "x.bin").write_bytes(resealed((project / "out/radio.sealed.bin").read_bytes(), by=("stranger",)))
    return imgseal("check", "x.bin")


def at_a_desk(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    imgseal("build", *ALL)
    return imgseal("check", "out/vent-drive-2.4.1-17-development.suit")


def old_sequence(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    imgseal("build", *ALL, "--release", "--out", "new", "--set", "release.sequence=18")
    imgseal("build", *ALL, "--release")
    imgseal("device", "new", "unit.json", "--hardware", "3")
    imgseal("device", "apply", "unit.json", "new/vent-drive-2.4.1-18.suit", "--out", "runs.json")
    return imgseal("check", "out/vent-drive-2.4.1-17.suit", "--device", "runs.json")


def smaller_slot(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    path = project / "imgseal.toml"
    path.write_text(path.read_text() + '\n[log]\npath = "release.log"\n')
    imgseal("log", "new")
    release = ("build", *ALL, "--release", "--revision", "abcd")
    said = imgseal(*release)
    assert said.status == 0, said.err
    replaced(project, 'size = "8 MiB"', 'size = "4 MiB"')
    return imgseal(*release, "--set", "release.version=2.4.2", "--set", "release.sequence=18", "--out", "next")


def counter_down(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    imgseal("build", *ALL, "--release")
    return imgseal(
        "build", *ALL, "--release", "--previous", "out/vent-drive-2.4.1-17.suit", "--out", "next", "--set", "release.sequence=18",
        "--set", "component.motor.counter=5",
    )  # fmt: skip


def old_neighbour(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    imgseal("build", *ALL, "--release", "--set", "component.radio.version=1.2.0", "--out", "old")
    imgseal("build", *ALL, "--release")
    imgseal("device", "new", "unit.json", "--hardware", "3")
    said = imgseal(
        "build",
        ALL[2],
        "--release",
        "--out",
        "radio",
        "--set",
        "component.radio.version=1.2.0",
        "--set",
        "release.sequence=3",
    )
    assert said.status == 0, said.err
    imgseal("device", "apply", "unit.json", "radio/vent-drive-2.4.1-3.suit", "--out", "runs.json")
    imgseal("build", *ALL[:2], "--release", "--out", "motor", "--set", "release.sequence=18")
    return imgseal("check", "motor/vent-drive-2.4.1-18.suit", "--device", "runs.json")


def no_firmware(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    raw = bytearray((project / "radio.bin").read_bytes())
    raw[4:8] = bytes(4)
    (project / "radio.bin").write_bytes(raw)
    return imgseal("build", *ALL)


def without_channel(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    make_channels(project, log=False)
    return imgseal("build", *ALL, "--release", "--revision", "abcd")


def promoted_beta(imgseal: Imgseal, project: Path, _patch: pytest.MonkeyPatch) -> Said:
    make_channels(project)
    imgseal("log", "new")
    return promote(imgseal, build(imgseal, "2.5.0-beta.1"))


MADE: dict[str, Make] = {
    "no imgseal.toml in this folder or any parent of it": elsewhere,
    "unknown key": product("write_unit = 8", "write_units = 8"),
    "this is no size": product('size = "320 KiB"', 'size = "320 kB"'),
    "this cannot be read": product('version = "2.4.1"', 'version = "2.4"'),
    "overlaps slot": product("at = 0x2_0000", "at = 0x1_8000"),
    "the product file has no such component": lambda imgseal, _p, _m: imgseal("build", "motr=motor-a.hex"),
    "a flat binary does not say where it belongs": lambda imgseal, _p, _m: imgseal("build", "radio=radio.bin"),
    "where its header block goes": linked_elsewhere,
    "this firmware does not fit": too_large,
    "checksum": damaged_hex,
    "two images for one run slot": lambda imgseal, _p, _m: imgseal("build", "motor=motor-a.hex", "motor=motor-a.hex"),
    "the signing key is not there": without_key,
    "this key is encrypted, and there is nobody to ask for its pass phrase": encrypted(None),
    "the pass phrase does not open this key": encrypted("wrong"),
    "trust.unknown-key": by_a_stranger,
    "the product has channels, and nothing says which one": without_channel,
    "signature.wrong-key": at_a_desk,
    "this is a pre-release, and what is sealed in it stays one": promoted_beta,
    "rollback.sequence-too-low": old_sequence,
    "devices in the field are laid out otherwise than this release": smaller_slot,
    "an anti-rollback counter goes down": counter_down,
    "rules.requirement-not-met": old_neighbour,
    "content.reset-vector": no_firmware,
}


def test_each_of_the_page_is_made() -> None:
    assert [row[0] for row in ROWS] == list(MADE)
    assert len(ROWS) == 23


@pytest.mark.parametrize("words", MADE)
def test_it_says_so(words: str, imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said = MADE[words](imgseal, project, monkeypatch)
    assert said.status in (1, 2, 3, 4)
    assert words in said.err + said.out, said.err + said.out
