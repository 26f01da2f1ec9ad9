"""Boot marks: the page's example, a second implementation from the page, and that every input changes the mark."""

import hashlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import third_mark
from hypothesis import given
from hypothesis import strategies as st

from imgseal.formats.install_record.boot_mark import MarkedAnchor, boot_mark
from imgseal.formats.install_record.record import Member

PAGE = (Path(__file__).parents[3] / "docs" / "format" / "boot-mark.md").read_text()
NUMBERS = (1, 2, 7)
DIGEST = st.binary(min_size=32, max_size=32)
KEY_ID = st.binary(min_size=16, max_size=16)
ANCHORS = st.builds(
    MarkedAnchor, KEY_ID, st.binary(min_size=64, max_size=64), st.just(b""), st.integers(0, 0xFFFF_FFFF), st.booleans()
) | st.builds(
    MarkedAnchor, KEY_ID, st.just(b""), st.binary(min_size=4, max_size=4).map(lambda four: four * 328),
    st.integers(0, 0xFFFF_FFFF), st.booleans(),
)  # fmt: skip
STATES = st.fixed_dictionaries(
    {
        "members": st.dictionaries(st.sampled_from(NUMBERS), st.builds(Member, st.integers(0, 1), DIGEST)),
        "numbers": st.just(NUMBERS), "anchors": st.lists(ANCHORS, max_size=4), "revoked": st.lists(KEY_ID, max_size=4),
        "need": st.integers(1, 3), "kinds": st.integers(1, 3), "must_verify": st.integers(1, 3), "development": st.booleans(),
        "hardware": st.integers(0, 0xFFFF), "bootloader": st.binary(min_size=16, max_size=16),
    }
)  # fmt: skip


def of(state: dict[str, Any]) -> bytes:
    return boot_mark(**state)


def said(state: dict[str, Any]) -> dict[str, object]:
    """The same in the words of the page."""
    members = state["members"]
    return {
        **state, "must": state["must_verify"],
        "entries": [(n, *members.get(n, (None, b""))) for n in state["numbers"]],
        "anchors": [(a.key_id, a.point, a.components, a.development, a.value) for a in state["anchors"]],
    }  # fmt: skip


EXAMPLE: dict[str, Any] = {
    "members": {1: Member(1, b"\x11" * 32), 2: Member(0, b"\x22" * 32)}, "numbers": (1, 2),
    "anchors": [MarkedAnchor(b"\xaa" * 16, b"\xbb" * 32 + b"\xcc" * 32, b"", 0xFFFF_FFFF, development=False)],
    "revoked": [b"\xdd" * 16], "need": 1, "kinds": 1, "must_verify": 1, "development": False, "hardware": 3,
    "bootloader": bytes.fromhex("010000000100000000000000ffffffff"),
}  # fmt: skip


def test_the_example_of_the_page() -> None:
    block = re.search(r"```\n([0-9a-f\n]+)```", PAGE)
    assert block is not None
    content = bytes.fromhex(block[1].replace("\n", ""))
    assert third_mark.content(said(EXAMPLE)) == content
    mark = hashlib.sha256(content).digest()
    assert of(EXAMPLE) == mark
    assert f"`{mark.hex()}`" in PAGE


@given(STATES)
def test_what_the_page_says(state: dict[str, Any]) -> None:
    assert of(state) == third_mark.mark(said(state))


def with_anchor(**changes: object) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda state: {**state, "anchors": [state["anchors"][0]._replace(**changes)]}


CHANGES: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
    "statement": lambda s: {**s, "members": {**s["members"], 2: Member(0, b"\x23" * 32)}},
    "run slot": lambda s: {**s, "members": {**s["members"], 1: Member(0, b"\x11" * 32)}},
    "member": lambda s: {**s, "members": {1: s["members"][1]}},
    "component numbers": lambda s: {**s, "numbers": (1, 2, 3)},
    "anchor's identifier": with_anchor(key_id=b"\xab" * 16),
    "anchor's key": with_anchor(point=b"\xbb" * 64),
    "anchor's kind": with_anchor(point=b"", value=bytes(1312)),
    "anchor's components": with_anchor(components=1),
    "anchor's development": with_anchor(development=True),
    "no anchor": lambda s: {**s, "anchors": []},
    "revoked": lambda s: {**s, "revoked": [b"\xde" * 16]},
    "none revoked": lambda s: {**s, "revoked": []},
    "need": lambda s: {**s, "need": 2},
    "kinds": lambda s: {**s, "kinds": 3},
    "must verify": lambda s: {**s, "must_verify": 2},
    "development": lambda s: {**s, "development": True},
    "hardware": lambda s: {**s, "hardware": 0x103},
    "bootloader": lambda s: {**s, "bootloader": bytes(16)},
}  # fmt: skip


@pytest.mark.parametrize("name", CHANGES)
def test_each_input_changes_the_mark(name: str) -> None:
    assert of(CHANGES[name](EXAMPLE)) != of(EXAMPLE)


def test_nothing_can_be_moved_from_one_field_to_the_next() -> None:
    """Sixteen bytes of a revoked key are not those of an anchor: the counts stand in front."""
    marks = [of(change(EXAMPLE)) for change in CHANGES.values()]
    assert len(set(marks)) == len(marks)
