"""`imgseal device`: a device's way through packages; the rules are those of docs/format/device-state.md."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from workshop import ALL, Imgseal, detached_radio, repacked, tree

from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.manifest import decode_manifest, encode_manifest


@pytest.fixture
def shipped(imgseal: Imgseal, project: Path) -> Path:
    """Two releases, of which the later brings no radio, and a new device."""
    assert imgseal("build", *ALL, "--release", "--out", "one").status == 0
    later = ("--set", "release.sequence=18", "--set", "release.version=2.5.0", "--set", "component.motor.counter=7")
    assert imgseal("build", *ALL[:2], ALL[3], "--release", "--out", "two", *later).status == 0
    assert imgseal("device", "new", "d0.json", "--hardware", "3").status == 0
    return project


def running(state: dict[str, Any]) -> dict[str, int]:
    """The run slot of each component."""
    return {number: member["slot"] for number, member in state["current"].items()}


ONE, TWO = "one/vent-drive-2.4.1-17.suit", "two/vent-drive-2.5.0-18.suit"


def test_a_devices_life(imgseal: Imgseal, shipped: Path) -> None:
    said = imgseal("device", "apply", "d0.json", ONE, "--out", "d1.json")
    assert said.status == 0, said.err
    first = json.loads((shipped / "d1.json").read_text())
    assert (first["sequence"], first["counters"], running(first)) == (
        17,
        {"1": 6, "2": 3, "3": 1},
        {"1": 0, "2": 0, "3": 0},
    )
    assert first["slots"]["motor-a"]["file"] == "d1.slots/motor-a.bin"
    assert (shipped / "d1.slots" / "radio.bin").read_bytes() == (shipped / "one" / "radio.sealed.bin").read_bytes()
    # the next release goes into the other motor slot and finds its radio on the device
    assert imgseal("check", TWO, "--device", "d0.json").status == 1
    assert "only the whole set can tell" in imgseal("check", TWO).out
    assert imgseal("check", TWO, "--device", "d1.json").status == 0
    assert imgseal("device", "apply", "d1.json", TWO, "--out", "d2.json").status == 0
    second = json.loads((shipped / "d2.json").read_text())
    assert (second["sequence"], second["counters"], running(second)) == (
        18,
        {"1": 7, "2": 3, "3": 1},
        {"1": 1, "2": 0, "3": 0},
    )
    assert set(second["slots"]) >= {"motor-a", "motor-b", "radio", "phrases"}
    # and there is no way back to the first one
    refused = imgseal("device", "apply", "d2.json", ONE, "--out", "d3.json")
    assert (refused.status, "rollback.sequence-too-low" in refused.err) == (1, True)
    assert not (shipped / "d3.json").exists()
    assert imgseal("device", "apply", "d2.json", TWO, "--out", "d3.json").status == 0


def test_days_of_keys_are_not_the_devices(imgseal: Imgseal, shipped: Path) -> None:
    """A device has no clock: it installs what the desk refuses for a key that is no longer in force."""
    file = shipped / "imgseal.toml"
    ended = '[trust.packages]\nkeys = [{ key = "keys/packages.pub.pem", until = 2026-06-30 }]\n'
    text = re.sub(r"\[trust\.packages\]\nkeys = .*\n", ended, file.read_text())
    assert ended in text
    file.write_text(text)
    assert "trust.key-not-in-force" in imgseal("check", ONE, "--device", "d0.json", "--as-of", "2026-07-01").out
    assert imgseal("device", "apply", "d0.json", ONE, "--out", "d1.json").status == 0
    assert json.loads((shipped / "d1.json").read_text())["sequence"] == 17


def test_keep_slot_holds_what_was_there(imgseal: Imgseal, shipped: Path) -> None:
    imgseal("device", "apply", "d0.json", ONE, "--out", "d1.json")
    later = ("--set", "release.sequence=19", "--set", "component.radio.version=1.3.3")
    imgseal("build", *ALL, "--release", "--out", "three", *later)
    assert imgseal("device", "apply", "d1.json", "three/vent-drive-2.4.1-19.suit", "--out", "d2.json").status == 0
    state = json.loads((shipped / "d2.json").read_text())
    old = (shipped / "one" / "radio.sealed.bin").read_bytes()
    assert (shipped / state["slots"]["radio-keep"]["file"]).read_bytes() == old
    shown = imgseal("device", "show", "d2.json").out
    assert "motor      runs from motor-a; counter 6 of 64" in shown
    assert "recovery   stands by, as far as known; counter" in shown
    assert "radio-keep     version 1.3.2, counter 3" in shown
    assert "radio          version 1.3.3, counter 3" in shown


def test_nothing_is_changed_in_place(imgseal: Imgseal, shipped: Path) -> None:
    before = tree(shipped)
    for arguments, status, words in (
        (("new", "d0.json"), 2, "exists already"),
        (("new", "d9.json", "--hardware", "9"), 2, "2 to 4"),
        (("apply", "d0.json", ONE, "--out", "d0.json"), 2, "overwrite"),
        (("apply", "d0.json", TWO, "--out", "d9.json"), 1, "rules.requirement-not-met"),
        (("apply", "d0.json", "radio.bin", "--out", "d9.json"), 1, "structure.unrecognised"),
        (("apply", "nothing.json", ONE, "--out", "d9.json"), 3, "cannot read"),
        (("show", "imgseal.toml"), 2, "not JSON"),
    ):
        said = imgseal("device", *arguments)
        assert (said.status, words in said.err) == (status, True), said.err
    assert tree(shipped) == before


def test_detached_images_keep_their_header(imgseal: Imgseal, project: Path) -> None:
    from imgseal.demo.firmware import code

    text = (project / "imgseal.toml").read_text()
    (project / "imgseal.toml").write_text(detached_radio(text))
    (project / "radio.bin").write_bytes(code("radio", link=0xC0000, size=3001, vectors=48, stack=0x2002_0000))
    assert imgseal("build", *ALL[:2], "radio=radio.bin@0xC0000", ALL[3], "--release").status == 0
    imgseal("device", "new", "d0.json")
    assert imgseal("device", "apply", "d0.json", "out/vent-drive-2.4.1-17.suit", "--out", "d1.json").status == 0
    slots = json.loads((project / "d1.json").read_text())["slots"]
    assert (project / slots["radio"]["file"]).read_bytes() == (project / "radio.bin").read_bytes()
    assert (project / slots["radio-header"]["file"]).read_bytes() == (project / "out" / "radio.header.bin").read_bytes()
    # the motor core finds the version it needs in the header slot
    assert imgseal("check", "out/motor-b.sealed.bin", "--device", "d1.json").status == 0


@pytest.mark.parametrize(
    ("edit", "key", "words"),
    [
        ({"counters": {"9": 1}}, "counters.9", "no such component"),
        ({"current": {"2": {"slot": 1}}}, "current.2.slot", "radio has one run slot"),
        ({"current": {"7": {"slot": 0}}}, "current.7", "1 (motor)"),
        ({"slots": {"motor-c": None}}, "slots.motor-c", "no such slot"),
    ],
)
def test_states_of_another_product_are_refused(
    imgseal: Imgseal, shipped: Path, edit: dict[str, Any], key: str, words: str
) -> None:
    state = json.loads((shipped / "d0.json").read_text())
    (shipped / "odd.json").write_text(json.dumps({**state, **edit}))
    for arguments in (
        ("device", "show", "odd.json"), ("check", ONE, "--device", "odd.json"), ("rehearse", ONE, "--device", "odd.json"),
        ("device", "apply", "odd.json", ONE, "--out", "x.json"),
    ):  # fmt: skip
        said = imgseal(*arguments)
        assert said.status == 2
        assert f"odd.json, {key}: " in said.err
        assert words in said.err
    assert not (shipped / "x.json").exists()


def test_a_slot_content_larger_than_the_slot_is_refused(imgseal: Imgseal, shipped: Path) -> None:
    import hashlib

    data = bytes(128 * 1024 + 1)
    (shipped / "big.bin").write_bytes(data)
    state = json.loads((shipped / "d0.json").read_text())
    state["slots"] = {"radio": {"file": "big.bin", "sha256": hashlib.sha256(data).hexdigest()}}
    (shipped / "odd.json").write_text(json.dumps(state))
    said = imgseal("rehearse", ONE, "--device", "odd.json")
    assert said.status == 2
    assert "at most 131072 bytes (slot.radio)" in said.err
    state["slots"]["radio"]["sha256"] = hashlib.sha256(data[1:]).hexdigest()
    (shipped / "big.bin").write_bytes(data[1:])
    (shipped / "odd.json").write_text(json.dumps(state))
    assert imgseal("device", "show", "odd.json").status == 0  # all of the slot, as it is read out


@pytest.mark.parametrize("sequence", [(1 << 32) - 1, 1 << 32, (1 << 64) - 1])
def test_a_sequence_that_no_device_can_keep(imgseal: Imgseal, shipped: Path, sequence: int) -> None:
    """Refused by every command that judges, and where it is written; the highest that there is goes everywhere."""
    good = sequence < 1 << 32
    data = (shipped / ONE).read_bytes()
    manifest = decode_manifest(decode_envelope(data).manifest)._replace(sequence_number=sequence)
    (shipped / "high.suit").write_bytes(repacked(data, lambda _: encode_manifest(manifest)))
    for arguments in (
        ("check", "high.suit"),
        ("device", "apply", "d0.json", "high.suit", "--out", "d9.json"),
        ("rehearse", "high.suit", "--pairs", "2"),
    ):
        said = imgseal(*arguments)
        assert (said.status, "structure.manifest" in said.out + said.err) == (0 if good else 1, not good), said.err
    assert imgseal("show", "high.suit").status == 0
    said = imgseal("build", *ALL, "--release", "--out", "three", "--set", f"release.sequence={sequence}")
    assert (said.status, "0 to 4294967295" in said.err) == ((0, False) if good else (2, True))
    if not good:
        text = (shipped / "imgseal.toml").read_text()
        assert "sequence = 17" in text
        (shipped / "imgseal.toml").write_text(text.replace("sequence = 17", f"sequence = {sequence}"))
        said = imgseal("build", *ALL, "--release", "--out", "three")
        assert (said.status, "release.sequence" in said.err) == (2, True)
