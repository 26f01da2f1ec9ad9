"""What an update changes, and that numbers only rise; the counts are worked out here another way."""

import json
from pathlib import Path

import pytest
from workshop import ALL, Imgseal, detached_radio, firmware, make, product, workshop

from imgseal.compare.difference import compare
from imgseal.demo.firmware import code
from imgseal.errors import InputError
from imgseal.flow.contents import read_contents
from imgseal.flow.release import FirmwareFile
from imgseal.formats.memory.image import MemoryImage

NEWER = ('version = "2.4.1"\nsequence = 17', 'version = "2.5.0"\nsequence = 18')


def newer() -> bytes:
    """A later release: motor-a grown and changed in one byte, the radio left out, the rest as before."""
    of = product(lambda text: text.replace(*NEWER).replace("counter = 6", "counter = 7"))
    data = bytearray(code("motor a", link=0x20400, size=6000, vectors=64, stack=0x2002_0000)) + bytes(5000)
    data[5000] ^= 1
    files = [f for f in firmware() if f.component != "radio" and f.name != "motora.hex"]
    return make(of, files=[FirmwareFile("motor", "a", MemoryImage.from_bytes(0x20400, bytes(data))), *files]).package


def test_differences_slot_by_slot() -> None:
    of = product()
    old, new = (read_contents(data, name, of) for name, data in (("old", workshop().package), ("new", newer())))
    found = compare(old, new, of)
    assert [tuple(change) for change in found.changes] == [("release", "2.4.1", "2.5.0"), ("sequence", "17", "18")]
    slots = {slot.slot: slot for slot in found.slots}
    motor = slots["motor-a"]
    before, after = bytes(old.images["motor-a"].content), bytes(new.images["motor-a"].content)
    assert motor.bytes_changed == sum(a != b for a, b in zip(before, after, strict=False)) + 5000
    padded = [data + b"\xff" * (12288 - len(data)) for data in (before, after)]
    assert motor.blocks_changed == sum(
        padded[0][n : n + 4096] != padded[1][n : n + 4096] for n in range(0, 12288, 4096)
    )
    assert (motor.block, motor.blocks_written, motor.blocks_in_slot) == (4096, 3, 80)
    assert {change.what: (change.old, change.new) for change in motor.changes} == {
        "version": ("2.4.1", "2.5.0"),
        "counter": ("6", "7"),
        "payload": ("6000 bytes", "11000 bytes"),
    }
    assert slots["radio"].left_alone
    assert slots["radio"].unchanged
    assert slots["radio"].changes == ()
    assert not any(slot.left_alone for name, slot in slots.items() if name != "radio")
    assert slots["phrases"].unchanged
    assert not motor.same_version


def test_another_payload_under_the_same_version() -> None:
    of = product()
    files = firmware()
    data = code("other", link=0xC0400, size=3001, vectors=48, stack=0x2002_0000)
    other = make(
        of,
        files=[f for f in files if f.component != "radio"]
        + [FirmwareFile("radio", "r", MemoryImage.from_bytes(0xC0400, data))],
    )
    found = compare(read_contents(workshop().package, "a", of), read_contents(other.package, "b", of), of)
    assert [slot.slot for slot in found.slots if slot.same_version] == ["radio"]


def test_identical_packages() -> None:
    of = product()
    side = read_contents(workshop().package, "x", of)
    found = compare(side, side, of)
    assert found.changes == ()
    assert all(slot.unchanged for slot in found.slots)


def test_what_cannot_be_compared() -> None:
    of = product()
    with pytest.raises(InputError) as caught:
        read_contents(workshop().images["radio"], "radio.bin", of)
    assert (caught.value.place.file, "an update package" in (caught.value.hint or "")) == ("radio.bin", True)
    other = product(lambda text: text.replace("number = 3\n", "number = 9\n"))
    with pytest.raises(InputError, match="no run slot of this product"):
        read_contents(workshop().package, "x", other)
    from workshop import add_payload

    with pytest.raises(InputError, match="no sealed image"):
        read_contents(add_payload(workshop().package, "#zzzzzzzzzzzz", b"x"), "x", of)


def test_command(imgseal: Imgseal, project: Path) -> None:
    imgseal("build", *ALL, "--release", "--out", "one")
    later = ("--set", "release.sequence=18", "--set", "release.version=2.4.2", "--set", "component.motor.counter=7")
    imgseal("build", *ALL[:2], "radio=one/radio.sealed.bin", ALL[3], "--release", "--out", "two", *later)
    names = ("one/vent-drive-2.4.1-17.suit", "two/vent-drive-2.4.2-18.suit")
    said = imgseal("compare", *names)
    assert said.status == 0
    assert "  sequence   17 -> 18" in said.out
    assert "  counter    6 -> 7" in said.out
    assert "radio in radio\n  the same bytes" in said.out
    document = json.loads(imgseal("compare", *names, "--json").out)
    assert document["changes"][0] == {"what": "release", "old": "2.4.1", "new": "2.4.2"}
    assert [slot["unchanged"] for slot in document["slots"]] == [False, False, True, True]
    assert imgseal("compare", names[0], "radio.bin").status == 3
    assert imgseal("compare", names[0], "nothing").status == 3


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (("release.sequence=16",), "above 17"),
        (("release.sequence=17", "component.motor.version=2.4.2"), "above 17"),
        (("release.sequence=18", "component.motor.counter=5"), "at least 6"),
        (("release.sequence=18", "component.radio.counter=2"), "at least 3"),
        (("release.sequence=18", "component.motor.counter=6"), None),
        (("release.sequence=17",), None),
        (("release.sequence=99", "component.motor.version=1.0.0"), None),
    ],
)
def test_numbers_only_rise(imgseal: Imgseal, project: Path, settings: tuple[str, ...], words: str | None) -> None:
    """RFC 9124 section 4.3.1: lower never; the identical release may be built again; a planned return has a higher sequence."""
    imgseal("build", *ALL, "--release", "--out", "one")
    sets = [part for setting in settings for part in ("--set", setting)]
    said = imgseal("build", *ALL, "--release", "--out", "two", "--previous", "one/vent-drive-2.4.1-17.suit", *sets)
    assert said.status == (2 if words else 0), said.err
    assert words is None or words in said.err
    assert (project / "two").exists() == (words is None)


@pytest.mark.parametrize(("counter", "warned"), [(57, False), (58, True), (64, True)])
def test_counter_steps_run_out(imgseal: Imgseal, project: Path, counter: int, warned: bool) -> None:
    """Common practice, no source: one-way bits are finite."""
    said = imgseal("build", *ALL, "--release", "--set", f"component.motor.counter={counter}")
    assert said.status == 0
    assert (f"{64 - counter} steps are left" in said.err) == warned


def test_detached_images_are_compared_with_their_payload() -> None:
    from imgseal.formats.suit.envelope import decode_envelope

    of = product(detached_radio)
    data = code("radio", link=0xC0000, size=3001, vectors=48, stack=0x2002_0000)
    shop = make(of, files=[FirmwareFile("radio", "r", MemoryImage.from_bytes(0xC0000, data))])
    side = read_contents(shop.package, "x", of)
    assert bytes(side.images["radio"].content) == data
    assert set(decode_envelope(shop.package).payloads) == {"#radio.header", "#radio.payload"}
