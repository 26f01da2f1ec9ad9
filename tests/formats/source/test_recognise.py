"""Firmware among other files: what our own writers, GNU objcopy's formats and the standards' headers look like, and what it is not.

Sources: Intel HEX and S-record forms as in test_intel_hex.py and test_s_record.py; ELF: System V ABI chapter 4, e_type and e_machine.
"""

import io
import struct

import pytest
from gate_tree import as_elf, as_hex, as_srec

from imgseal.errors import InputError
from imgseal.formats.source.detect import ADDRESS_BYTES, BINARY, ELF, HEAD_BYTES, INTEL_HEX, S_RECORD, detect
from imgseal.formats.source.recognise import BLANK, OTHER_PACKAGE, firmware_kind
from imgseal.formats.source.s_record import read_s_records
from imgseal.formats.source.unread_text import DAMAGED, is_whole_record

BODY = bytes(range(64))
HEX, SREC = as_hex(0x20400, BODY), as_srec(0x20400, BODY)


def big_endian(kind: int, machine: int) -> bytes:
    return b"\x7fELF\x01\x02\x01" + bytes(9) + struct.pack(">HH", kind, machine)


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (HEX, INTEL_HEX),
        (HEX.lower(), INTEL_HEX),
        (b"\xef\xbb\xbf" + HEX, INTEL_HEX),
        (b"\r\n  " + HEX, INTEL_HEX),
        (SREC, S_RECORD),
        (b"S0030000FC\n", S_RECORD),
        (as_elf(0, BODY), ELF),
        (as_elf(0, BODY, kind=3), ELF),
        (big_endian(2, 40), ELF),
        (b"built on Monday\n" + HEX, DAMAGED),
        (b"x" * 2000 + b"\r\n" + SREC, DAMAGED),
        (HEX.decode().encode("utf-16"), DAMAGED),
        (SREC.decode().encode("utf-16-be").join([b"\xfe\xff", b""]), DAMAGED),
        (b":1" + b"z" + HEX, INTEL_HEX),
        (b":zzzzz" + HEX, DAMAGED),
        # a first record with any mistake but in its length
        (b":04000000FFFFFFFF00\n", INTEL_HEX),
        (b":04000009FFFFFFFF00:00000001FF", INTEL_HEX),
        (b"S1074000FFFFFFFF00\n", S_RECORD),
        (b"s1074000FFFFFFFF00\n", DAMAGED),
        (SREC.replace(b"S", b"s"), DAMAGED),
        # what hides records
        (b"; made\r" + HEX.replace(b"\n", b"\r"), DAMAGED),
        (b"\xff\xfe\r\0\n\0" + HEX.decode().encode("utf-16-le"), DAMAGED),
        (("; made\r\n" + HEX.decode()).encode("utf-16"), DAMAGED),
        (HEX.decode().encode("utf-16-be"), DAMAGED),
        (HEX.decode().encode("utf-32"), DAMAGED),
        (b"\n" * HEAD_BYTES + HEX, BLANK),
        (b" \0\t", BLANK),
        (b"\xfe\xff" + bytes(9), BLANK),
        # CBOR tag 107, RFC 8949 section 3; D8 6B is the judge's
        (b"\xd9\0\x6b", OTHER_PACKAGE),
        (b"\xdb\0\0\0\0\0\0\0\x6b\xa2", OTHER_PACKAGE),
        (b"\xd9\xd9\xf7\xd8\x6b", OTHER_PACKAGE),
        (b"\xda\0\0\xd9\xf7\xd9\xd9\xf7\xd9\0\x6b", OTHER_PACKAGE),
        (b"\xd8\x6b", None),
        (b"\xd9\xd9\xf7\xa0", None),
        (b"\xd9\xd9\xf7\xd8", None),
        (b"\xda\x6b", None),
        # not firmware
        (as_elf(0, BODY, machine=62), None),
        (as_elf(0, BODY, kind=1), None),
        (b"\x7fELF", None),
        (b"", None),
        (b":", None),
        (b":feedback: yes please\n", None),
        (b"S3cafebabe is a number\n", None),
        (b":abcdef0123456789 is a colour\n:deadbeef\n", None),
        (b"S9\n", None),
        (b"S4030000FC\n", None),
        (b"a log:\n:10 errors\nS1 and S2 are switches\n", None),
        (b"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855  motor.hex\n", None),
        (b"-----BEGIN CERTIFICATE-----\nMIIB\n", None),
        (bytes(range(256)) * 16, None),
        (b"\xff" * 4096, None),
    ],
)
def test_table(data: bytes, kind: str | None) -> None:
    assert firmware_kind(data[:HEAD_BYTES]) == kind


@pytest.mark.parametrize("kind", sorted(ADDRESS_BYTES))
def test_a_record_of_every_length(kind: bytes) -> None:
    """Behind other text a record is one from the length on that the reader takes, with its address and check sum."""
    for count in range(12):
        raw = bytes([count, *range(1, count)])
        line = b"S" + kind + (raw + bytes([~sum(raw) & 0xFF])).hex().upper().encode() if count else b"S" + kind + b"00"
        try:
            read_s_records(io.BytesIO(line + b"\n"), "app.s19")
            of_its_length = True
        except InputError as error:
            of_its_length = "length is not the one" not in error.message
        assert of_its_length == (count > ADDRESS_BYTES[kind]), line
        assert is_whole_record(line) == of_its_length, line
        assert (firmware_kind(b"made on Monday\n" + line + b"\n") == DAMAGED) == of_its_length, line


@pytest.mark.parametrize("data", [HEX, SREC, as_elf(0, BODY)])
def test_whatever_a_build_takes_is_recognised(data: bytes) -> None:
    assert firmware_kind(data) == detect(data, "app") != BINARY


def test_one_wrong_digit_does_not_hide_a_file() -> None:
    """Whichever digit of the first record it is: the others are still whole."""
    first = HEX.split(b"\n", maxsplit=1)[0].rstrip()
    for at in range(len(first)):
        spoiled = HEX[:at] + b"?" + HEX[at + 1 :]
        assert firmware_kind(spoiled) in (INTEL_HEX, DAMAGED), at


def test_records_in_prose_are_found_by_their_checksum() -> None:
    """A line that only looks like a record is prose; one that is a whole record is not."""
    assert firmware_kind(b"text\n:0B0010006164647265737320676170A7\n") == DAMAGED
    assert firmware_kind(b"text\n:0B0010006164647265737320676170A8\n") is None
    assert firmware_kind(b"text\nS1137AF00A0A0D0000000000000000000000000061\n") == DAMAGED
    assert firmware_kind(b"text\nS1137AF00A0A0D0000000000000000000000000062\n") is None
