"""Regular runs of records are read at once, and only those: what the fast path takes is what each record says.

Intel HEX: rev. A of the 1988 specification; S-records: the count covers address, data and checksum, all bytes add up to 0xFF.
"""

import io
import random

import pytest

from imgseal.formats.source import intel_hex, s_record
from imgseal.formats.source.runs import Layout, Run, take_run

HEX = intel_hex._LAYOUT
SREC = {kind: s_record._LAYOUTS[kind] for kind in (b"1", b"2", b"3")}
LAYOUTS = {"hex": HEX, **{f"S{kind.decode()}": layout for kind, layout in SREC.items()}}


def record(layout: Layout, address: int, data: bytes, kind: int = 0) -> bytes:
    typed = bytes([kind]) if layout.prefix == b":" else b""
    body = (
        bytes([len(data) + (0 if typed else layout.address_bytes + 1)])
        + address.to_bytes(layout.address_bytes)
        + typed
        + data
    )
    last = -sum(body) & 0xFF if typed else ~sum(body) & 0xFF
    return layout.prefix + (body + bytes([last])).hex().upper().encode()


def run_of(
    layout: Layout, address: int, width: int, count: int, end: bytes = b"\n", seed: int = 1
) -> tuple[bytes, bytes]:
    data = random.Random(seed).randbytes(width * count)
    lines = [record(layout, address + at, data[at : at + width]) for at in range(0, len(data), width)]
    return b"".join(line + end for line in lines), data


@pytest.mark.parametrize("name", LAYOUTS)
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize(("width", "count"), [(1, 8), (16, 8), (16, 100), (32, 9), (250, 20)])
def test_a_regular_run_is_taken_whole(name: str, end: bytes, width: int, count: int) -> None:
    layout = LAYOUTS[name]
    address = 0x1234 if layout.address_bytes == 2 else 0x01_1230
    text, data = run_of(layout, address, width, count, end)
    for before in (b"", b"; x\n"):
        assert take_run(before + text, len(before), layout, 10_000) == Run(
            address, data, count, width, len(text), False
        )


@pytest.mark.parametrize("name", LAYOUTS)
def test_the_readers_take_runs_with_their_own_layout(name: str) -> None:
    """What a reader makes of a file is what the run says, with and without a record that breaks it."""
    layout = LAYOUTS[name]
    text, data = run_of(layout, 0x400, 16, 40)
    last = b":00000001FF\n" if name == "hex" else b"S9030000FC\n"
    read = intel_hex.read_intel_hex if name == "hex" else s_record.read_s_records
    assert take_run(text, 0, layout, 10_000) == Run(0x400, data, 40, 16, len(text), False)
    image = read(io.BytesIO(text + last), name="x")
    assert [(region.address, image.read(region.address, region.size)) for region in image.regions] == [(0x400, data)]


@pytest.mark.parametrize("name", LAYOUTS)
def test_seven_records_and_no_more_are_left_alone(name: str) -> None:
    layout = LAYOUTS[name]
    text, _ = run_of(layout, 0x100, 16, 7)
    assert take_run(text, 0, layout, 10_000) is None
    text, data = run_of(layout, 0x100, 16, 8)
    assert take_run(text, 0, layout, 7) is None
    assert take_run(text[:-1], 0, layout, 10_000) is None
    assert take_run(text, 0, layout, 8) == Run(0x100, data, 8, 16, len(text), False)


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_run_ends_at_64_kib(name: str) -> None:
    layout = LAYOUTS[name]
    start = 0xFF00 if layout.address_bytes == 2 else 0x01_FF00
    text, data = run_of(layout, start, 16, 16)
    more = text + record(layout, start + 256 & 0xFFFF, bytes(16)) + b"\n"
    assert take_run(more, 0, layout, 10_000) == Run(start, data, 16, 16, len(text), False)


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_run_breaks_off_where_a_record_does_not_go_on(name: str) -> None:
    layout = LAYOUTS[name]
    text, data = run_of(layout, 0x200, 16, 20)
    stride = len(text) // 20
    for other in (record(layout, 0x200 + 16 * 12 + 1, bytes(16)), record(layout, 0x200, bytes(16))):
        spoiled = text[: 12 * stride] + other + b"\n" + text[13 * stride :]
        assert take_run(spoiled, 0, layout, 10_000) == Run(0x200, data[: 16 * 12], 12, 16, 12 * stride, True)


def test_a_record_of_another_kind_ends_a_run() -> None:
    text, data = run_of(HEX, 0x200, 16, 20)
    stride = len(text) // 20
    other = record(HEX, 0x200 + 16 * 9, bytes(16), 1)
    assert take_run(text[: 9 * stride] + other + b"\n" + text[10 * stride :], 0, HEX, 10_000) == Run(
        0x200, data[:144], 9, 16, 9 * stride, True
    )
    assert take_run(other + b"\n" + text, 0, HEX, 10_000) is None


@pytest.mark.parametrize("name", LAYOUTS)
def test_whatever_is_spoiled_is_left_to_the_slow_reader(name: str) -> None:
    """One character of a line: a digit (the sum is wrong), no digit, a line longer or shorter."""
    layout = LAYOUTS[name]
    text, data = run_of(layout, 0x300, 16, 12)
    stride = len(text) // 12
    for line in (0, 1, 5, 11):
        for at in range(stride):
            for spoiled in (b"G", b"0", b"\n", b"F"):
                raw = text[: line * stride + at] + spoiled + text[line * stride + at + 1 :]
                run = take_run(raw, 0, layout, 10_000)
                if run is not None and raw != text:
                    assert run.data == data[: 16 * run.records]
                    assert run.records <= line
                    assert run.taken == run.records * stride


def test_lines_of_an_odd_number_of_digits_are_no_run() -> None:
    for layout in LAYOUTS.values():
        text, _ = run_of(layout, 0x300, 16, 12)
        assert take_run(text.replace(b"\n", b"0\n"), 0, layout, 10_000) is None
        assert take_run(text.replace(b"\n", b"00\n"), 0, layout, 10_000) is None
        assert take_run(b"\n" * 20, 0, layout, 10_000) is None
        assert take_run(text.rstrip(b"\n").replace(b"\n", b""), 0, layout, 10_000) is None


@pytest.mark.parametrize("name", LAYOUTS)
@pytest.mark.parametrize("wrong", [-1, 1])
def test_a_record_that_counts_wrongly_ends_the_run(name: str, wrong: int) -> None:
    """It is as long as the others and its check sum is right: the reader of single records has to refuse it."""
    layout = LAYOUTS[name]
    text, data = run_of(layout, 0x400, 16, 40)
    lines = text.splitlines()
    start = len(layout.prefix)
    body = bytearray.fromhex(lines[20][start:].decode())
    body[0] += wrong
    body[-1] -= wrong
    lines[20] = layout.prefix + body.hex().upper().encode()
    run = take_run(b"\n".join(lines) + b"\n", 0, layout, 10_000)
    assert run is not None
    assert (run.data, run.records) == (data[:320], 20)
