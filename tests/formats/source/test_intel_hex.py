"""Intel HEX record by record. Source: Intel, "Hexadecimal Object File Format Specification", revision A, 1988; what the
specification leaves open is common practice, as found on real files."""

import io
import random
from itertools import pairwise

import pytest

from imgseal.errors import InputError
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.spans import Region
from imgseal.formats.source import read

END = ":00000001FF"


def record(kind: int, offset: int, data: bytes) -> str:
    raw = bytes([len(data), offset >> 8, offset & 0xFF, kind]) + data
    return ":" + (raw + bytes([-sum(raw) & 0xFF])).hex().upper()


def linear(upper: int) -> str:
    return record(4, 0, upper.to_bytes(2))


def segment(upper: int) -> str:
    return record(2, 0, upper.to_bytes(2))


def parse(*lines: str, end: str = "\n") -> MemoryImage:
    return read(io.BytesIO("".join(line + end for line in lines).encode("latin-1")), name="app.hex", kind="intel-hex")


def refused(*lines: str) -> InputError:
    with pytest.raises(InputError) as error:
        parse(*lines)
    assert error.value.place.file == "app.hex"
    assert error.value.hint
    return error.value


A = record(0, 0, b"abcd")


def test_the_specification_s_own_records() -> None:
    # Intel 1988: the extended linear address example, and the end record
    assert linear(0xFFFF) == ":02000004FFFFFC"
    assert record(1, 0, b"") == END


@pytest.mark.parametrize("end", ["\n", "\r\n", "\n\n", " \t\r\n"])
def test_line_ends(end: str) -> None:
    assert parse(A, record(0, 4, b"ef"), END, end=end) == MemoryImage.from_bytes(0, b"abcdef")


def test_a_missing_last_line_end_is_fine() -> None:
    text = f"{A}\n{END}".encode()
    assert read(io.BytesIO(text), name="a") == MemoryImage.from_bytes(0, b"abcd")


def test_lower_case() -> None:
    assert parse(record(0, 0xABCD, b"\xab\xcd").lower(), END).read(0xABCD, 2) == b"\xab\xcd"


def test_linear_addresses_go_on_over_64_kib() -> None:
    # Intel 1988, data record: (LBA + DRLO + DRI) modulo 4 GiB, so nothing wraps at 64 KiB
    assert parse(linear(0x0800), record(0, 0xFFFE, b"abcd"), END).regions == (Region(0x0800_FFFE, 4),)


def test_a_record_over_the_end_of_memory_is_refused() -> None:
    assert parse(linear(0xFFFF), record(0, 0xFFFC, b"abcd"), END).end == 1 << 32
    error = refused(linear(0xFFFF), record(0, 0xFFFD, b"abcd"), END)
    assert (error.place.line, error.expected) == (2, "an end of at most 0x100000000")


def test_segment_addresses() -> None:
    # Intel 1988: SBA + ([DRLO + DRI] modulo 64 KiB), SBA is the value times 16
    assert parse(segment(0x1234), record(0, 0x10, b"ab"), END).regions == (Region(0x12350, 2),)
    assert parse(segment(0x1000), record(0, 0xFFFC, b"abcd"), END).end == 0x20000


def test_a_record_over_the_end_of_its_segment_is_refused() -> None:
    error = refused(segment(0x1000), record(0, 0xFFFD, b"abcd"), END)
    assert "readers disagree" in error.message
    assert (error.place.line, error.expected, error.found) == (2, "an end of at most 0x10000 in the segment", "0x10001")
    assert "type 04" in (error.hint or "")


def test_the_later_address_record_counts_whatever_its_type() -> None:
    image = parse(linear(0x1000), A, segment(0x3000), A, linear(0x2000), A, END)
    assert [region.address for region in image.regions] == [0x30000, 0x1000_0000, 0x2000_0000]
    assert len(image.notes) == 1
    assert image.notes[0].startswith("line 3: types 02 and 04 are mixed")
    # where the base before was zero all readers agree
    assert parse(linear(0), A, segment(0x3000), record(0, 0, b"efgh"), END).notes == ()


def test_an_address_record_before_every_data_record() -> None:
    lines = [line for n in range(40) for line in (linear(8), record(0, n * 16, bytes(range(n, n + 16))))]
    assert parse(*lines, END).regions == (Region(0x8_0000, 640),)


def test_gaps_of_hundreds_of_megabytes_stay_gaps() -> None:
    image = parse(linear(0), A, linear(0x1000), record(0, 0x1000, b"conf"), linear(0x6000), A, END)
    assert image.regions == (Region(0, 4), Region(0x1000_1000, 4), Region(0x6000_0000, 4))


def test_records_in_any_order_and_of_many_lengths() -> None:
    data = bytes(range(250))
    cuts = [0, 1, 3, 6, 10, 15, 21, 28, 36, 45, 55, 66, 78, 91, 105, 120, 136, 153, 250]
    lines = [record(0, 0x100 + a, data[a:b]) for a, b in pairwise(cuts)]
    assert parse(*lines[::-1], END) == MemoryImage.from_bytes(0x100, data)
    assert parse(*lines[1::2], *lines[::2], END) == MemoryImage.from_bytes(0x100, data)


def test_the_longest_record() -> None:
    lines = [record(0, n * 255, bytes([255]) * 255) for n in range(20)]
    assert parse(*lines, END) == MemoryImage.from_bytes(0, b"\xff" * 5100)
    assert refused(*lines[:10], lines[10][:-2] + "00", *lines[11:], END).place.line == 11


def test_sums_of_the_longest_records_do_not_carry_into_others() -> None:
    # these add up to 2**16; a sum in lanes of 16 bits would make up for a checksum that is too low by one, two lines on
    lines = [record(0, 17 + n * 255, bytes([255 if n < 18 else 0]) * 255) for n in range(20)]
    wrong = [line[:-2] + f"{int(line[-2:], 16) - 1:02X}" for line in lines[2:]]
    assert refused(*lines[:2], *wrong, END).place.line == 3


@pytest.mark.parametrize(
    ("kind", "value", "start"), [(3, bytes.fromhex("12340005"), 0x12345), (5, bytes.fromhex("0001CCD9"), 0x1CCD9)]
)
@pytest.mark.parametrize("at", [0, 1, 2])
def test_start_records_may_stand_anywhere(kind: int, value: bytes, start: int, at: int) -> None:
    lines = [A, record(0, 4, b"efgh")]
    lines.insert(at, record(kind, 0, value))
    assert parse(*lines, END).start_address == start


def test_a_start_record_may_be_repeated_but_not_contradicted() -> None:
    same, other = record(5, 0, bytes(3) + b"\x41"), record(3, 0, bytes(3) + b"\x40")
    assert parse(same, A, same, END).start_address == 0x41
    error = refused(same, A, other, END)
    assert "two entry points" in error.message
    assert (error.place.line, error.expected, error.found) == (3, "0x00000041, as in line 1", "0x00000040")


def test_overlaps_that_agree_are_noted_and_others_refused() -> None:
    image = parse(A, record(0, 2, b"cdef"), END)
    assert image == MemoryImage.from_bytes(0, b"abcdef")
    assert image.notes == ("2 bytes are given again with the same value, first at 0x00000002 in line 2",)
    error = refused(A, record(0, 2, b"cXef"), END)
    assert (error.place.line, error.place.address) == (2, 3)
    assert (error.expected, error.found) == ("0x64, as before", "0x58")


def test_an_overlap_inside_a_long_run_names_its_line() -> None:
    run = [record(0, n * 16, bytes([n]) * 16) for n in range(100)]
    other = [record(0, n * 16, bytes([n + (n == 70)]) * 16) for n in range(50, 100)]
    error = refused(*run, *other, END)
    assert (error.place.line, error.place.address) == (121, 70 * 16)


def test_text_behind_the_end_record_is_noted() -> None:
    assert parse(A, END, "", "  ").notes == ()
    assert parse(A, END, "", "; made by hand", "print('hello')").notes == (
        "2 lines of text behind the end record in line 2 ignored",
    )
    assert parse(A, END, "\x1a").notes == ("1 line of text behind the end record in line 2 ignored",)


def test_an_end_record_with_an_address_is_noted() -> None:
    assert parse(A, record(1, 0x1234, b"")).notes == ("line 2: the end record's address 1234 is ignored",)


@pytest.mark.parametrize(
    ("lines", "line", "message", "expected", "found"),
    [
        ([A[:-2] + "00", END], 1, "checksum is wrong", "72", "00"),
        ([A, ":0400040061626364X4", END], 2, "no hex digit", "0 to 9, A to F", "'X' in column 18"),
        ([A, ":040004006162636 16A", END], 2, "no hex digit", "0 to 9, A to F", "' ' in column 17"),
        ([A, A[:-1], END], 2, "odd number of digits", "two digits for each byte", "17 digits"),
        ([A[:9] + A[11:], END], 1, "length is not the one it states", "4 bytes of data", "3 bytes"),
        ([A + "00", END], 1, "length is not the one it states", "4 bytes of data", "5 bytes"),
        ([A, ":0000", END], 2, "too short", "at least 5 bytes", "':0000'"),
        ([A, ":", END], 2, "too short", "at least 5 bytes", "':'"),
        ([A, A[1:], END], 2, "no record", "a line that starts with ':'", "'0400000061626364"),
        ([A, "\x00\x00", END], 2, "no record", "a line that starts with ':'", r"'\x00\x00'"),
        (["\xef\xbb\xbf" + A, END], 1, "byte order mark", "':'", "EF BB BF"),
        ([A, record(6, 0, b""), END], 2, "record type 06 is not part", "types 00 to 05", "type 06"),
        ([A, record(0x0A, 0, b"\x99\x00\xc0\xde"), END], 2, "record type 0A is not part", "types 00 to 05", "type 0A"),
        ([A, record(4, 0, b"\x08"), END], 2, "type 04 has 2 bytes", "2 bytes", "1 bytes"),
        ([A, record(5, 0, b"\x08\x00"), END], 2, "type 05 has 4 bytes", "4 bytes", "2 bytes"),
        ([A, record(1, 0, b"\x00"), END], 2, "type 01 has 0 bytes", "0 bytes", "1 bytes"),
        ([A, record(4, 0x10, b"\x08\x00"), END], 2, "no address of its own", "address 0000", "0010"),
        ([A, END, END], 3, "record follows the end record", "no record behind line 2", "':00000001FF'"),
        ([A, END, "", A], 4, "record follows the end record", "no record behind line 2", "':0400"),
        ([A, END, "\x00\x01"], 3, "no text follow the end record", "nothing, or text", r"'\x00\x01'"),
        ([A], 2, "end record is missing", ":00000001FF", "end of the file"),
        ([A, ":" + "00" * 600, END], 2, "longer than any record", "at most 1024 characters", "at least 1201"),
    ],
)
def test_damage_is_named(lines: list[str], line: int, message: str, expected: str, found: str) -> None:
    error = refused(*lines)
    assert error.place.line == line
    assert message in error.message
    assert expected in (error.expected or "")
    assert found in (error.found or "")


def test_records_behind_the_end_where_the_product_file_lets_them() -> None:
    """As tools write symbols there: data, types of their own, damaged ones. Text is counted apart, no text is refused."""
    symbols = [record(0, 0x5000, b"main"), record(0x0D, 0, b"\x01"), ":0000000000G", A, END]

    def parsed(*lines: str) -> MemoryImage:
        data = "".join(line + "\n" for line in lines).encode("latin-1")
        return read(io.BytesIO(data), name="app.hex", kind="intel-hex", after_end="ignore")

    image = parsed(A, END, *symbols)
    assert image == parse(A, END)
    assert image.notes == ("5 records behind the end record in line 2 ignored (firmware.after_end)",)
    assert parsed(A, END, A).notes == ("1 record behind the end record in line 2 ignored (firmware.after_end)",)
    assert parsed(A, END).notes == ()
    assert parsed(A, END, "; symbols", A).notes == (
        "1 record behind the end record in line 2 ignored (firmware.after_end)",
        "1 line of text behind the end record in line 2 ignored",
    )
    with pytest.raises(InputError, match="bytes that are no text follow the end record"):
        parsed(A, END, "\x00\x01")
    with pytest.raises(InputError, match="the end record is missing"):
        parsed(A, A)
    assert 'after_end = "ignore"' in (refused(A, END, A).hint or "")


def test_vendor_types_get_a_hint() -> None:
    assert "several boards" in (refused(A, record(0x0D, 0, b"ab"), END).hint or "")


@pytest.mark.parametrize("lines", [[END], [linear(8), END], [record(0, 0, b""), END], [""]])
def test_a_file_without_data_is_refused(lines: list[str]) -> None:
    assert "no data in this file" in refused(*lines).message


@pytest.mark.parametrize("where", [0, 1, 50, 98, 99])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize(
    ("at", "value", "message"),
    [
        (40, "0", "checksum"),
        (43, "", "odd number"),
        (20, "g", "no hex digit"),
        (20, "\x00", "no hex digit"),
        (20, ":", "no hex digit"),
        (0, ";", "no record"),
        (8, "6", "checksum"),
        (2, "1", "length"),
    ],
)
def test_damage_inside_a_regular_run(where: int, end: str, at: int, value: str, message: str) -> None:
    # the fast path must leave each of these to the slow one, which names the very line
    lines = [record(0, n * 16, bytes([n, *range(1, 16)])) for n in range(100)]
    broken = lines[where]
    if at < 43:
        broken = broken[:at] + value + broken[at + 1 :]
        assert broken != lines[where]
    else:
        broken = broken[:-1]
    lines[where] = broken
    with pytest.raises(InputError, match=message) as error:
        parse(*lines, END, end=end)
    assert error.value.place.line == where + 1


def test_a_checksum_of_zero_cannot_be_left_out_at_the_end_of_a_run() -> None:
    data = bytes(15) + bytes([-(16 + 0x90) & 0xFF])
    lines = [*[record(0, n * 16, bytes(16)) for n in range(9)], record(0, 9 * 16, data)]
    assert lines[-1].endswith("00")
    assert parse(*lines, END).size == 160
    lines[-1] = lines[-1][:-2] + "::"
    assert refused(*lines, END).place.line == 10


def test_runs_of_one_length_with_gaps_and_jumps_inside() -> None:
    chance = random.Random(5)
    addresses = [at for start in chance.sample(range(0, 0x10000, 0x400), 40) for at in range(start, start + 0x300, 16)]
    lines = [record(0, at, at.to_bytes(2) * 8) for at in addresses]
    image = parse(*lines, END)
    assert image.size == len(addresses) * 16
    assert all(image.read(at, 16) == at.to_bytes(2) * 8 for at in addresses)
    lines[1000] = record(6, addresses[1000], bytes(16))
    assert "record type 06" in refused(*lines, END).message
    assert refused(*lines, END).place.line == 1001
    lines[1000] = record(0, addresses[999], bytes(16))
    assert refused(*lines, END).place.line == 1001


def test_two_faults_that_cancel_out_in_a_sum_over_the_run_are_found() -> None:
    lines = [record(0, n * 16, bytes([n, *range(1, 16)])) for n in range(100)]
    for at, change in ((30, 1), (31, -1)):
        byte = int(lines[at][9:11], 16) + change
        lines[at] = lines[at][:9] + f"{byte:02X}" + lines[at][11:]
    assert refused(*lines, END).place.line == 31


def test_digits_that_moved_over_a_line_end_are_found() -> None:
    lines = [record(0, n * 16, bytes([n, *range(1, 16)])) for n in range(100)]
    lines[40], lines[41] = lines[40][:-2], lines[40][-2:] + lines[41]
    assert refused(*lines, END).place.line == 41


def test_carriage_returns_alone_are_named() -> None:
    text = "\r".join([record(0, n * 16, bytes(16)) for n in range(100)]).encode()
    with pytest.raises(InputError, match="longer than any record") as error:
        read(io.BytesIO(text), name="a")
    assert "carriage return" in (error.value.hint or "")


class Trickle(io.BytesIO):
    """A stream that gives a few bytes at a time."""

    def read(self, size: int | None = -1, /) -> bytes:
        return super().read(min(size, 37) if size and size > 0 else size)


def test_reads_may_be_short_and_lines_counted_over_them() -> None:
    lines = [linear(1), *[record(0, n * 16, bytes([n]) * 16) for n in range(200)]]
    text = "\n".join([*lines, END]).encode()
    assert read(Trickle(text), name="a", kind="intel-hex").regions == (Region(0x10000, 3200),)
    lines[150] = lines[150][:-1] + "_"
    with pytest.raises(InputError) as error:
        read(Trickle("\n".join(lines).encode()), name="a", kind="intel-hex")
    assert error.value.place.line == 151
