"""The demo's firmware is what a core would start: the rules are those of the Armv6-M and Armv7-M architecture manuals."""

import json
import struct

import pytest

from imgseal.demo.firmware import code, phrases
from imgseal.demo.scenario import device_after


@pytest.mark.parametrize(("link", "vectors", "stack"), [(0x2_0400, 64, 0x2002_0000), (0xC_0400, 48, 0x2000_8000)])
def test_every_vector_leads_to_code(link: int, vectors: int, stack: int) -> None:
    """B1.5.3: first the stack, then addresses with bit 0 set for Thumb; what is there is code."""
    data = code("motor", link=link, size=2000, vectors=vectors, stack=stack)
    assert len(data) == 2000
    first, reset, *others = struct.unpack_from(f"<{vectors}I", data)
    assert first == stack
    assert {word & 1 for word in (reset, *others)} == {1}
    nop, back = struct.unpack_from("<2H", data, reset - 1 - link)
    assert nop == 0xBF00
    assert back == 0xE7FD  # B with an offset of -6 from its own address + 4: the nop before it
    assert {struct.unpack_from("<H", data, word - 1 - link)[0] for word in others} == {0xE7FE}  # B to itself
    assert data[reset - 1 - link + 8 :].startswith(b"motor\0")
    assert reset - 1 == link + 4 * vectors


def test_data_is_no_code_and_differs_from_other_data() -> None:
    one, other = phrases("phrases", 100), phrases("birds", 100)
    assert one.startswith(b"phrases\0phrases\0")
    assert len(one) == len(other) == 100
    assert one[16:] != other[16:]
    assert len(set(one[16:48])) > 16
    assert phrases("phrases", 64) == one[:64]


def test_the_device_of_the_demo_has_had_a_release() -> None:
    """A fresh device would take any sequence number, and the demo's last steps would show nothing."""
    slots = {name: name.encode() * 200 for name in ("motor-a", "motor-b", "radio", "phrases")}
    state = json.loads(device_after(slots, 3, bytes(32)))
    assert state.get("fresh", False) is False
    assert state["counters"] == {"1": 6, "2": 3, "3": 1}, "those of release 2.4.1"
    assert sorted(state["slots"]) == ["motor-a", "phrases", "radio"]
