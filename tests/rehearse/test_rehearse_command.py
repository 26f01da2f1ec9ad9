"""`imgseal rehearse` at the command line. Source of truth: docs/cli.md."""

import json
from pathlib import Path

import pytest
from workshop import ALL, Imgseal, tree

ONE, TWO = "one/vent-drive-2.4.1-17.suit", "two/vent-drive-2.5.0-18.suit"


@pytest.fixture
def shipped(imgseal: Imgseal, project: Path) -> Path:
    """Two releases; the later has another radio image."""
    from imgseal.demo.firmware import code

    assert imgseal("build", *ALL, "--release", "--out", "one").status == 0
    (project / "radio.bin").write_bytes(code("radio, later", link=0xC0400, size=3001, vectors=48, stack=0x2002_0000))
    later = ("--set", "release.sequence=18", "--set", "release.version=2.5.0", "--set", "component.motor.counter=7",
             "--set", "component.radio.version=1.4.0")  # fmt: skip
    assert imgseal("build", *ALL, "--release", "--out", "two", *later).status == 0
    return project


def test_an_update(imgseal: Imgseal, shipped: Path) -> None:
    before = tree(shipped)
    said = imgseal("rehearse", TWO, "--previous", ONE, "--pairs", "100")
    assert said.status == 0, said.out + said.err
    lines = said.out.split("\n")
    assert lines[0] == f"{TWO} on a device that runs {ONE}"
    for words in (
        "  install: wrote motor-b",
        "  boot: kept radio in radio-keep",
        "  settle: counter of motor is 7",
        "  settle: sequence 18",
    ):
        assert words in lines
    assert "all 10 invariants hold" in said.out
    assert "; 100 after two" in said.out
    assert tree(shipped) == before


def test_without_a_device_there_was_nothing_before(imgseal: Imgseal, shipped: Path) -> None:
    said = imgseal("rehearse", ONE, "--pairs", "0")
    assert said.status == 0
    assert "on a device without firmware" in said.out
    assert "way back   none: there was no set before" in said.out


def test_a_set_that_stays_needs_no_way_back(imgseal: Imgseal, shipped: Path) -> None:
    """The same images under another sequence number: nothing changes that could have a way back."""
    same = (*ALL[:2], "radio=one/radio.sealed.bin", ALL[3])
    assert imgseal("build", *same, "--release", "--set", "release.sequence=18", "--out", "again").status == 0
    said = imgseal("rehearse", "again/vent-drive-2.4.1-18.suit", "--previous", ONE, "--pairs", "0")
    assert said.status == 0, said.out + said.err
    assert "  way back   not needed, the set that runs stays as it is: a trial is offered" in said.out.split("\n")
    assert "every component that changes" not in said.out


def test_json(imgseal: Imgseal, shipped: Path) -> None:
    said = imgseal("rehearse", TWO, "--previous", ONE, "--pairs", "50", "--seed", "x", "--json")
    document = json.loads(said.out)
    assert (document["format"], document["holds"], document["violation"], document["seed"]) == (1, True, None, "x")
    assert document["cuts"]["single"] == 2 * sum(document["operations"].values())
    assert document["cuts"]["double"] == 50
    took = document["estimate"]
    # by hand, from the operations and the product file's erase_ms and program_us
    for use in took["memories"]:
        erase, program = {"internal": ((22, 40), (900, 2600)), "nor": ((150, 2000), (400, 3000))}[use["memory"]]
        for index in range(2):
            expected = use["erases"] * erase[index] / 1e3 + use["programs"] * program[index] / 1e6
            assert use["seconds"][index] == pytest.approx(expected)
    assert [boot["component"] for boot in took["boots"]] == ["motor", "radio", "phrases"]
    motor = took["boots"][0]
    assert motor["seconds"] == pytest.approx(0.110 + (1024 + motor["payload"]) / (4 << 20))
    assert took["warnings"] == []


def test_limits_are_held_against_the_longest_times(imgseal: Imgseal, shipped: Path) -> None:
    path = shipped / "imgseal.toml"
    text = path.read_text()
    path.write_text(text.replace("down_time = 30", "down_time = 0.5").replace("boot_time = 2", "boot_time = 0.1"))
    said = imgseal("rehearse", TWO, "--previous", ONE, "--pairs", "0")
    assert "caution    limits.down_time: the product stands still for up to" in said.out
    assert "caution    limits.boot_time: judging at each boot takes up to" in said.out
    path.write_text(text.replace("erase_ms = [22, 40]", ""))
    said = imgseal("rehearse", TWO, "--previous", ONE, "--pairs", "0")
    assert "caution    limits.down_time cannot be held: erase_ms" in said.out


def test_replay(imgseal: Imgseal, shipped: Path) -> None:
    said = imgseal("rehearse", TWO, "--previous", ONE, "--replay", "1:healthy-kept:120.3")
    assert said.status == 0, said.err
    assert said.out.count("power cut in operation") == 2
    assert "power cut in operation 120: program 256 bytes at " in said.out
    assert said.out.endswith("every invariant holds\n")
    again = imgseal("rehearse", TWO, "--previous", ONE, "--replay", "1:healthy-kept:120.3")
    assert again.out == said.out


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        ((TWO,), 0, "all 10 invariants"),
        ((TWO, "--previous", TWO), 1, "nothing to play: the device has this release"),
        ((ONE, "--previous", TWO), 1, "rollback.sequence-too-low"),
        ((ONE, "--previous", ONE, "--device", "x.json"), 2, "two devices"),
        ((ONE, "--device", "x.json"), 3, "cannot read"),
        ((ONE, "--pairs", "many"), 2, "--pairs takes a number, or all"),
        ((ONE, "--replay", "1:healthy"), 2, "no run to replay"),
        ((ONE, "--replay", "1:sick-kept:1"), 2, "no run to replay"),
        ((TWO, "--previous", TWO, "--replay", "1:healthy-kept:120.3"), 1, "nothing to play: the device has this release"),
        ((TWO, "--previous", TWO, "--replay", "1:healthy-kept:none"), 1, "nothing to play: the device has this release"),
        ((TWO, "--previous", ONE, "--replay", "1:healthy-kept:99999"), 2, "this run ends before its power is cut"),
        ((TWO, "--previous", ONE, "--replay", "1:healthy-kept:120.99999"), 2, "cut 2 in one of its "),
        ((TWO, "--previous", TWO, "--cuts", "any"), 1, "nothing to play"),
        ((TWO, "--previous", ONE, "--lives", "9"), 2, "--lives does nothing without --cuts"),
        ((TWO, "--previous", ONE, "--changing"), 2, "--changing does nothing without --cuts"),
        ((TWO, "--previous", ONE, "--cuts", "0", "--pairs", "9"), 2, "--pairs does nothing with --cuts"),
        ((TWO, "--previous", ONE, "--cuts", "0", "--seed", "9"), 2, "--seed does nothing with --cuts"),
        (("motor-a.hex",), 1, "structure.unrecognised"),
        (("one/motor-a.sealed.bin",), 1, "structure.envelope"),
    ],
)  # fmt: skip
def test_other_calls(imgseal: Imgseal, shipped: Path, arguments: tuple[str, ...], status: int, words: str) -> None:
    said = imgseal(
        "rehearse", *arguments, *(() if "--pairs" in arguments or "--cuts" in arguments else ("--pairs", "0"))
    )
    assert said.status == status, said.err
    assert words in said.out + said.err
    assert "every invariant holds" not in said.out
    assert status == 0 or "hint: " in said.err or "name one before it" in said.out


def test_what_was_not_played_has_not_passed(imgseal: Imgseal, shipped: Path) -> None:
    said = imgseal("rehearse", TWO, "--previous", TWO, "--json")
    document = json.loads(said.out)
    assert (said.status, document["holds"], document["violation"], document["cuts"]["single"]) == (1, False, None, 0)
    assert "invariants hold" not in imgseal("rehearse", TWO, "--previous", TWO).out
    said = imgseal("rehearse", TWO, "--previous", TWO, "--cuts", "1", "--json")
    document = json.loads(said.out)
    assert (said.status, document["holds"], document["broken"]) == (1, False, False)
    assert {each["says"].partition(":")[0] for each in document["explored"]} == {"nothing to play"}
    said = imgseal("report", TWO, "--previous", TWO, "--rehearse", "--out", "report.html")
    assert (said.status, said.out.startswith("accepted")) == (1, True), said.out + said.err


def test_a_trial_and_its_failure(imgseal: Imgseal, shipped: Path) -> None:
    """`device apply --ending`: what the device remembers, and what it refuses then."""
    imgseal("device", "new", "d0.json")
    imgseal("device", "apply", "d0.json", ONE, "--out", "d1.json")
    said = imgseal("device", "apply", "d1.json", TWO, "--out", "trial.json", "--ending", "trial")
    assert said.status == 0, said.err
    state = json.loads((shipped / "trial.json").read_text())
    assert (state["sequence"], state["counters"]["1"]) == (17, 6)
    trial = state["trial"]
    assert (trial["sequence"], trial["way_back"], trial["attempts_left"], trial["power_ons_left"], trial["kept"]) == (
        18,
        True,
        2,
        20,
        [2],
    )
    assert (
        "trial      sequence 18: not healthy yet; 2 starts left, 20 after power-on"
        in imgseal("device", "show", "trial.json").out
    )
    assert "rules.trial-open" in imgseal("check", TWO, "--device", "trial.json").out
    said = imgseal("device", "apply", "d1.json", TWO, "--out", "failed.json", "--ending", "failed")
    assert said.status == 0, said.err
    state = json.loads((shipped / "failed.json").read_text())
    first = json.loads((shipped / "d1.json").read_text())
    assert (state["sequence"], state["trial"], state["counters"]) == (17, None, first["counters"])
    assert state["current"] == first["current"]
    assert len(state["refused"]) == 1
    assert f"  failed     {state['refused'][0]}" in imgseal("device", "show", "failed.json").out
    assert "rules.failed-before" in imgseal("check", TWO, "--device", "failed.json").out
    # a release with a higher sequence is taken
    later = (
        "--set",
        "release.sequence=19",
        "--set",
        "component.motor.counter=7",
        "--set",
        "component.radio.version=1.4.0",
    )
    imgseal("build", *ALL, "--release", "--out", "three", *later)
    assert imgseal("check", "three/vent-drive-2.4.1-19.suit", "--device", "failed.json").status == 0
