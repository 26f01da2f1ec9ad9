"""The demo's firmware is what a core would start: the rules are those of the Armv6-M and Armv7-M architecture manuals."""

import io
import json
import struct
from hashlib import sha256
from typing import Any

import pytest

from imgseal.check.patch import apply_patch
from imgseal.demo.firmware import code, phrases
from imgseal.demo.program import program
from imgseal.demo.scenario import device_after, firmware_files
from imgseal.formats.source import read
from imgseal.make.delta.encode import encode
from imgseal.make.delta.frame import Side, frame_of


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


def calls(data: bytes, start: int) -> list[int]:
    """Where the calls of a program lead: BL by the pseudocode of the Armv7-M manual, A7.7.18."""
    found = []
    for at in range(0, len(data) - 3, 2):
        first, second = struct.unpack_from("<2H", data, at)
        if first >> 11 != 0b11110 or second >> 14 != 0b11 or not second >> 12 & 1:
            continue
        s, j1, j2 = first >> 10 & 1, second >> 13 & 1, second >> 11 & 1
        i1, i2 = 1 - (j1 ^ s), 1 - (j2 ^ s)
        offset = s << 24 | i1 << 23 | i2 << 22 | (first & 0x3FF) << 12 | (second & 0x7FF) << 1
        found.append(start + at + 4 + offset - (s << 25))
    return found


@pytest.mark.parametrize("start", [0x2_0600, 0x7_0600])
def test_a_program_calls_its_functions_wherever_it_is_linked(start: int) -> None:
    data = program("motor", start=start, size=40 << 10, changed=(20,))
    functions = {start + at for at in range(0, len(data), 4) if data[at : at + 2] == b"\x10\xb5"}
    inside = [target for target in calls(data, start) if start <= target < start + len(data)]
    assert len(inside) > 400
    assert sum(target in functions for target in inside) > 0.95 * len(inside)  # some data looks like a call
    words = struct.unpack_from(f"<{len(data) // 4}I", data)
    assert sum(word & 1 and word - 1 in functions for word in words) > 100
    elsewhere = program("motor", start=start + 0x1000, size=40 << 10, changed=(20,))
    moved = {b - a for a, b in zip(calls(data, start)[:200], calls(elsewhere, start + 0x1000), strict=False)}
    assert moved == {0x1000}


def test_a_function_begins_and_returns_as_compiled_ones_do() -> None:
    """PUSH {r4, lr} on a multiple of four, POP {r4, pc}, a NOP where the pool would not be aligned: A5.2."""
    data = program("motor", start=0x2_0600, size=40 << 10)
    begins = [at for at in range(0, 30 << 10, 4) if data[at : at + 2] == b"\x10\xb5"]
    ends = [data.find(b"\x10\xbd", at) for at in begins]
    assert all(at < end < after for at, end, after in zip(begins, ends, begins[1:], strict=False))
    behind = {data[end + 2 : end + 4] for end in ends if end % 4 == 0}
    assert behind == {b"\x00\xbf"}


@pytest.mark.parametrize(
    ("more", "digest"),
    [
        ({}, "faf0009f799b4f702f966073a647f35b"),
        ({"changed": (3, 20, 77)}, "b2a66ba80d015acdb0d7db7c8447e174"),
        ({"table": 1}, "0bb8bd7ebfdd432e44ab2b752d5e495c"),
    ],
)
def test_a_program_is_the_same_on_every_machine(more: dict[str, Any], digest: str) -> None:
    """What the demo prints about bytes, and the pages quote, follows from these. Made here, once; no other source."""
    data = program("motor", start=0x2_0600, size=40 << 10, **more)
    assert len(data) >= 40 << 10
    assert sha256(data).hexdigest()[:32] == digest


def test_the_second_release_changes_three_functions_and_a_table() -> None:
    """Its patch is as small as that of a fix of compiled code, and makes the image; all behind a fix has moved."""
    old, new = firmware_files("2.4.0"), firmware_files("2.4.1")
    grown = 0
    for name, base, other in (("motor-a.hex", 0x2_0400, "motor-b.hex"), ("radio.hex", 0xC_0400, "radio.hex")):
        with io.BytesIO(old[name]) as one, io.BytesIO(new[other]) as two:
            before, after = (read(each, name=name) for each in (one, two))
        lowest = after.regions[0].address
        sides = [Side(i.read(a, i.regions[0].size), a, True) for i, a in ((before, base), (after, lowest))]
        grown += len(sides[1].data) - len(sides[0].data)
        patch = encode(sides[0].data, sides[1].data, frame_of(*sides)).data
        assert len(patch) < 500, (name, len(patch))
        assert apply_patch(patch, sides[0].data, len(sides[1].data)) == sides[1].data
    assert 40 < grown < 120
    assert firmware_files("2.4.1") == new


def test_the_device_of_the_demo_has_had_a_release() -> None:
    """A fresh device would take any sequence number, and the demo's last steps would show nothing."""
    slots = {name: name.encode() * 200 for name in ("motor-a", "motor-b", "radio", "phrases")}
    state = json.loads(device_after(slots, 3, bytes(32)))
    assert state.get("fresh", False) is False
    assert state["counters"] == {"1": 6, "2": 3, "3": 1}, "those of release 2.4.1"
    assert sorted(state["slots"]) == ["motor-a", "phrases", "radio"]
