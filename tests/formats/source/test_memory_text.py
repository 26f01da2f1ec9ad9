"""Verilog's memory files and their like, of every width, however many words stand on a line and whatever stands between.

Source of truth: IEEE 1364 on $readmemh: words of hexadecimal digits, white space and comments between them, and `@`
in front of an address. docs/gate.md says that an address with data behind it is refused.
"""

import random
from collections.abc import Callable, Iterator

import pytest

from imgseal.formats.source.detect import HEAD_BYTES
from imgseal.formats.source.recognise import Search, firmware_kind
from imgseal.formats.source.unread_text import _rotated

BODY = random.Random(64).randbytes(64)
FORM = "Verilog hex, VMEM or TI text"
COMMENTS: dict[str, Callable[[int], str]] = {
    "none": lambda _: "",
    "behind": lambda at: f" // word {at}",
    "below": lambda at: f"\n// word {at} is next\n\n",
    "block": lambda at: f" /* word {at},\n   at {at:08x} */",
    "CR LF": lambda _: "\r",
}
DIGITS = (1, 3, 4, 8, 16)


def found(data: bytes, step: int = 1 << 20) -> tuple[str | None, str | None]:
    """What it is by its head, and what is found in it behind prose, the end of which is given in pieces as well."""
    search = Search()
    search.take(b"made on Monday\n" * 395)
    behind = b"made on Monday\n" * 5 + data
    for at in range(0, len(behind), step):
        search.take(behind[at : at + step])
    search.take(b"")
    return firmware_kind(data[:HEAD_BYTES]), search.kind


def files(width: int, words: int) -> Iterator[tuple[object, bytes]]:
    """The body in words of so many bytes, so many on a line: every line with its address, or the first one."""
    each = [BODY[at : at + width] for at in range(0, len(BODY), width)]
    lines = [(at, each[at : at + words]) for at in range(0, len(each), words)]
    for digits in DIGITS:
        for name, comment in COMMENTS.items():
            for ways in ("every line", "its own line", "first line", "above the first line"):
                text = ""
                for at, some in lines:
                    address = f"@{at:0{digits}X}" + ("\n" if "own" in ways or "above" in ways else " ")
                    if at == 0 or ways in ("every line", "its own line"):
                        text += address
                    text += " ".join(word.hex() for word in some) + comment(at) + "\n"
                yield (digits, name, ways), text.encode()
                yield (digits, name, ways, "q"), text.encode() + b"q\n"


@pytest.mark.parametrize("width", [1, 2, 4, 8])
def test_every_width_and_length_of_line(width: int) -> None:
    tried, missed = 0, []
    for words in range(1, 17):
        for which, data in files(width, words):
            # fewer than eight lines with an address and a few digits on each are no firmware: here there are more
            if found(data) != (FORM, FORM):
                missed.append((width, words, which))
            tried += 1
    print(f"{tried} files, none passed over")
    assert missed == []
    assert tried == 16 * len(DIGITS) * len(COMMENTS) * 4 * 2


@pytest.mark.parametrize("step", [1, 13, 1000])
def test_however_it_is_cut_in_pieces(step: int) -> None:
    for words in (1, 5, 16):
        for which, data in list(files(1, words))[::7]:
            assert found(data, step)[1] == FORM, (words, which)


def test_underscores_and_orders() -> None:
    """A reader takes underscores anywhere in a number, addresses in any order, and words on one line."""
    down = b"".join(b"@%X %02x\n" % (at, BODY[at]) for at in reversed(range(64)))
    gaps = b"".join(b"@%X %02x\n" % (8 * at, BODY[at]) for at in range(8))
    texts = (
        down,
        gaps,
        down.replace(b"\n", b" "),
        b"@0000_0000 44_20_82_3C\n",
        b"@0\n4_4\n2_0\n8_2\n3_C\n",
        b"/* reset */ @F000 // here\n/* 1 */ 44 20\n82 3C\nq\n",
    )
    for text in texts:
        assert found(text) == (FORM, FORM), text


def test_what_is_too_little() -> None:
    """Names behind an `@` are words of letters a to f now and then."""
    for text in (
        b"@c\n" * 40,
        b"@dead\n@beef\n" * 3 + b"or so\n",
        b"@add\nbad\n@fee\nsix\n" * 20,
        b"@a add\n@b begin\n" * 20,
        b"@abc /* not ended\n" * 40,
    ):
        assert found(text) == (None, None), text


@pytest.mark.parametrize(("size", "known"), [(1, True), (16, True), (31, True), (32, False), (64, False)])
def test_records_without_a_check_sum_hold_up_to_31_bytes(size: int, known: bool) -> None:
    """Two of them, the second where the first one ends: address, size, data. Common practice, no source."""
    records = [
        f"{at:08X}{size:02X}{bytes(range(size)).hex().upper()}\n".encode()
        for at in range(0x400, 0x400 + 4 * size, size)
    ]
    assert (firmware_kind(b"".join(records)) is not None) is known


@pytest.mark.parametrize("count", [1, 2, 16, 200])
def test_signetics_records_of_any_length(count: int) -> None:
    """Address, count, check byte of these, data, check byte of it; without data there is nothing."""
    data = (BODY * 4)[:count]
    head = bytes((0x12, 0x34, count))
    record = head + bytes([_rotated(head)]) + data + bytes([_rotated(data)])
    assert found(b":" + record.hex().upper().encode() + b"\n") == ("Signetics hex", "Signetics hex")
    damaged = record[:-1] + bytes([record[-1] ^ 1])
    assert found(b":" + damaged.hex().upper().encode() + b"\n") == (None, None)
