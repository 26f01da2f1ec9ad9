"""What a device's counter storage can hold and may rise to: product file, build, check and log give one answer."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from workshop import ALL, Imgseal, tree

from imgseal.product.starter import product_text
from imgseal.workspace.release_numbers import counters_running_out

OLD, NEW = "out-17/vent-drive-2.4.1-17.suit", "out-18/vent-drive-2.4.2-18.suit"
STATED = "counter = 3\ncounter_steps = 64\n"
FAR = "rollback.counter-out-of-reach"


def write(project: Path, radio: str, more: str = "") -> None:
    text = product_text()
    assert text.count(STATED) == 1
    (project / "imgseal.toml").write_text(text.replace(STATED, radio) + more)


def build(imgseal: Imgseal, sequence: int, *more: str, status: int = 0) -> str:
    number = ("--set", f"release.sequence={sequence}", "--set", f"release.version=2.4.{sequence - 16}")
    said = imgseal("build", *ALL, "--release", "--revision", "abcd", *number, "--out", f"out-{sequence}", *more)
    assert said.status == status, said.err
    return said.err


@pytest.mark.parametrize(
    ("radio", "counter", "most"),
    [
        ("counter = 3\n", 256, None),
        ("counter = 3\n", 257, "at most 256 (where counter_steps states nothing)"),
        ("counter = 3\n", 300, "at most 256"),
        ("counter = 3\n", 20250101, "at most 256"),
        ("counter = 3\ncounter_steps = 300\n", 300, None),
        ("counter = 3\ncounter_steps = 300\n", 301, "at most 300 (counter_steps)"),
        ('counter = 3\ncounter_storage = "value"\n', 20250101, None),
        ('counter = 3\ncounter_storage = "value"\ncounter_steps = 20250101\n', 20250102, "at most 20250101"),
    ],
)
def test_build_and_check_refuse_what_the_storage_cannot_hold(
    imgseal: Imgseal, project: Path, radio: str, counter: int, most: str | None
) -> None:
    """`check` with this product file, of a package that was built with one that allowed it."""
    write(project, 'counter = 3\ncounter_storage = "value"\n')
    build(imgseal, 17, "--set", f"component.radio.counter={counter}")
    write(project, radio)
    checked = imgseal("check", OLD)
    assert (checked.status, FAR in checked.out) == ((0, False) if most is None else (1, True)), checked.out
    before = tree(project)
    err = build(imgseal, 18, "--set", f"component.radio.counter={counter}", status=0 if most is None else 2)
    if most is not None:
        assert most in err
        assert "component.radio.counter" in err
        assert ('counter_storage = "value"' in err) == ("counter_steps" not in radio)
        assert tree(project) == before


@pytest.mark.parametrize(("counter", "taken"), [(3, True), (13, True), (14, False), (300, False)])
@pytest.mark.parametrize("memory", ["previous", "log", "device"])
def test_no_jump_beyond_the_stated_one(imgseal: Imgseal, project: Path, memory: str, counter: int, taken: bool) -> None:
    """Against the package before, the release log, and the counter of a device."""
    log = '\n[log]\npath = "release.log"\n' if memory == "log" else ""
    write(project, 'counter = 3\ncounter_storage = "value"\n', log)
    (project / "release.log").touch()
    build(imgseal, 17)
    if memory == "device":
        assert imgseal("device", "new", "new.json").status == 0
        assert imgseal("device", "apply", "new.json", OLD, "--out", "unit.json").status == 0
    write(project, 'counter = 3\ncounter_storage = "value"\n')
    setting = ("--set", f"component.radio.counter={counter}")
    build(imgseal, 18, *setting)
    write(project, 'counter = 3\ncounter_storage = "value"\ncounter_jump = 10\n', log)
    if memory != "previous":
        more = ("--device", "unit.json") if memory == "device" else ()
        said = imgseal("check", NEW, *more)
        passes = taken and memory == "device"  # as a log does not have the package yet: gate.not-logged
        assert (said.status, FAR in said.out) == (int(not passes), not taken), said.out
    if memory != "device":
        for path in (project / "out-18").iterdir():
            path.unlink()
        more = ("--previous", OLD) if memory == "previous" else ()
        err = build(imgseal, 18, *setting, *more, status=0 if taken else 2)
        assert ("counter_jump is 10" in err) == (not taken)
        assert bool(list((project / "out-18").iterdir())) == taken


def test_a_counter_that_was_never_raised_is_held_to_no_jump(imgseal: Imgseal, project: Path) -> None:
    write(project, 'counter = 3\ncounter_storage = "value"\ncounter_jump = 2\n')
    build(imgseal, 17)
    assert imgseal("check", OLD).status == 0
    assert imgseal("device", "new", "new.json").status == 0
    assert imgseal("check", OLD, "--device", "new.json").status == 0


@pytest.mark.parametrize(
    ("steps", "counter", "left"),
    [
        (100, 89, None), (100, 90, 10), (100, 91, 9), (64, 57, None), (64, 58, 6), (20, 16, None), (20, 17, 3), (20, 20, 0),
        (9, 5, None), (9, 6, 3), (1000, 899, None), (1000, 900, 100), (None, 230, None), (None, 231, 25), (None, 256, 0),
    ],
)  # fmt: skip
def test_the_share_of_steps_left_that_warns(steps: int | None, counter: int, left: int | None) -> None:
    """A tenth of what the storage can hold, or three steps; 256 steps where the product file does not say."""
    from imgseal.product.read_toml import read

    radio = "counter = 3\n" + ("" if steps is None else f"counter_steps = {steps}\n")
    component = read(product_text().replace(STATED, radio), name="x").components["radio"]
    image: Any = SimpleNamespace(
        placed=SimpleNamespace(component=component), statement=SimpleNamespace(counter=counter)
    )
    notes = counters_running_out([image, image])
    assert len(notes) == (left is not None)
    assert left is None or f"component.radio.counter is {counter} of {steps or 256}: {left} steps are left" in notes[0]
