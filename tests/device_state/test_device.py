"""The device state file: strict both ways; docs/format/device-state.md."""

import json
from pathlib import Path
from typing import Any

import pytest
from workshop import workshop

from imgseal.device_state.device import fresh, read, write
from imgseal.errors import UsageError

GOOD: dict[str, Any] = {
    "format": 1,
    "hardware": 3,
    "sequence": 16,
    "manifest_digest": "ab" * 32,
    "counters": {"1": 6, "255": 4294967295},
    "current": {"1": {"slot": 0, "statement": "12" * 32}, "2": {"slot": 1}},
    "trial": {
        "sequence": 17,
        "manifest_digest": "34" * 32,
        "way_back": True,
        "attempts_left": 2,
        "power_ons_left": 19,
        "previous": {"1": {"slot": 1, "statement": "56" * 32}},
        "kept": [2],
    },
    "refused": ["78" * 32],
    "slots": {"radio": {"file": "slots/radio.bin", "sha256": "cd" * 32}, "motor-a": None},
    "bootloader": "1.1.0",
    "battery_mwh": 0,
    "authorised": True,
    "revoked": ["ef" * 16],
}


def test_round_trip() -> None:
    state = read(json.dumps(GOOD), name="device.json")
    assert read(write(state), name="again") == state
    assert json.loads(write(state)) == GOOD


def test_what_may_be_left_out() -> None:
    state = read('{"format": 1, "hardware": 0, "sequence": 0, "counters": {}}', name="x")
    assert (state.authorised, state.battery_mwh, state.bootloader, state.fresh) == (False, None, None, False)


def test_fresh_device() -> None:
    state = fresh(workshop().product)
    assert (state.hardware, state.sequence, dict(state.counters), state.authorised, state.fresh) == (
        None,
        0,
        {},
        True,
        True,
    )
    assert str(state.bootloader) == "1.1.0"


def test_example_of_the_page() -> None:
    page = (Path(__file__).parents[2] / "docs" / "format" / "device-state.md").read_text()
    example = page.split("```json\n")[1].split("```")[0]
    assert read(example, name="page").sequence == 16
    for key in GOOD:
        assert f"| `{key}` |" in page


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("format", 2), ("format", True), ("hardware", -1), ("hardware", 65536), ("hardware", None), ("sequence", 1 << 32),
        ("sequence", "1"), ("manifest_digest", "ab"), ("manifest_digest", "AB" * 32), ("counters", []), ("counters", {"0": 1}),
        ("counters", {"01": 1}), ("counters", {"256": 1}), ("counters", {"1": -1}), ("slots", []), ("current", []),
        ("current", {"0": {"slot": 0}}), ("current", {"1": 0}), ("current", {"1": {"slot": 2}}),
        ("current", {"1": {"slot": 0, "statement": "12"}}), ("current", {"1": {"slot": 0, "x": 1}}), ("trial", []), ("trial", {}),
        ("trial", {**GOOD["trial"], "way_back": 1}), ("trial", {**GOOD["trial"], "attempts_left": 101}),
        ("trial", {**GOOD["trial"], "manifest_digest": None}), ("trial", {**GOOD["trial"], "kept": [0]}),
        ("trial", {**GOOD["trial"], "kept": [256]}),
        ("trial", {**GOOD["trial"], "previous": 1}), ("refused", ["78"]), ("refused", ["78" * 32] * 5), ("refused", "x"),

        ("slots", {"a": {}}), ("slots", {"a": {"file": "", "sha256": "cd" * 32}}), ("slots", {"a": {"file": "x", "sha256": "cd"}}),
        ("slots", {"a": {"file": "x", "sha256": None}}), ("bootloader", "1"), ("bootloader", 1), ("battery_mwh", -1),
        ("authorised", 1), ("revoked", "x"), ("revoked", ["ef"]), ("colour", "red"),
    ],
)  # fmt: skip
def test_refused_values(key: str, value: object) -> None:
    with pytest.raises(UsageError) as caught:
        read(json.dumps({**GOOD, key: value}), name="device.json")
    assert (caught.value.place.key or "").startswith(key)
    assert caught.value.place.file == "device.json"


@pytest.mark.parametrize("text", ["", "[]", "3", "{", '{"format": 1, "format": 1}', "[" * 10_000, '{"format": NaN}'])
def test_refused_texts(text: str) -> None:
    with pytest.raises(UsageError):
        read(text, name="device.json")


@pytest.mark.parametrize("key", ["format", "hardware", "sequence", "counters"])
def test_missing_keys(key: str) -> None:
    with pytest.raises(UsageError, match="missing"):
        read(json.dumps({k: v for k, v in GOOD.items() if k != key}), name="x")


def objects(tree: object, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """The path of every key of every object."""
    return (
        []
        if not isinstance(tree, dict)
        else [p for k, v in tree.items() for p in [(*path, k), *objects(v, (*path, k))]]
    )


@pytest.mark.parametrize("path", objects(GOOD), ids=".".join)
@pytest.mark.parametrize("same", [True, False])
def test_no_key_stands_twice(path: tuple[str, ...], same: bool) -> None:
    """JSON readers differ in which one counts (RFC 8259 section 4): a file means one thing to all of them, at every level."""

    def text(tree: object, left: tuple[str, ...]) -> str:
        if not isinstance(tree, dict):
            return json.dumps(tree)
        rows = [
            f"{json.dumps(key)}: {text(value, left[1:] if left[:1] == (key,) else ())}" for key, value in tree.items()
        ]
        if len(left) == 1:
            rows.append(f"{json.dumps(left[0])}: {json.dumps(tree[left[0]]) if same else 0}")
        return "{" + ", ".join(rows) + "}"

    assert read(text(GOOD, ()), name="x") == read(json.dumps(GOOD), name="x")
    with pytest.raises(UsageError, match="twice") as refused:
        read(text(GOOD, path), name="device.json")
    assert refused.value.place.file == "device.json"
