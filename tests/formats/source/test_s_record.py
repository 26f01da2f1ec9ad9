"""S-records record by record. Source: Motorola, M68000 Family Programmer's Reference Manual, appendix C."""

import io

import pytest

from imgseal.errors import InputError
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.spans import Region
from imgseal.formats.source import read

WIDTHS = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}


def record(kind: int, address: int, data: bytes = b"") -> str:
    raw = address.to_bytes(WIDTHS[kind]) + data
    raw = bytes([len(raw) + 1]) + raw
    return f"S{kind}" + (raw + bytes([~sum(raw) & 0xFF])).hex().upper()


def parse(*lines: str, end: str = "\n") -> MemoryImage:
    return read(io.BytesIO("".join(line + end for line in lines).encode("latin-1")), name="app.srec", kind="s-record")


def refused(*lines: str) -> InputError:
    with pytest.raises(InputError) as error:
        parse(*lines)
    assert error.value.place.file == "app.srec"
    assert error.value.hint
    return error.value


A = record(3, 0x0800_0000, b"abcd")
END = record(7, 0x0800_0101)


def test_the_manual_s_own_records() -> None:
    # appendix C, example module: header, a data record, the terminator
    lines = ("S00600004844521B", "S1130000285F245F2212226A000424290008237C2A", "S5030001FB", "S9030000FC")
    assert (record(5, 1), record(9, 0)) == lines[2:]
    assert parse(*lines) == MemoryImage.from_bytes(0, bytes.fromhex("285F245F2212226A000424290008237C"))


@pytest.mark.parametrize(("kind", "terminator", "address"), [(1, 9, 0xFFF0), (2, 8, 0xFF_FFF0), (3, 7, 0xFFFF_FFF0)])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_each_width_of_address(kind: int, terminator: int, address: int, end: str) -> None:
    image = parse(record(kind, address, bytes(16)), record(terminator, address + 1), end=end)
    assert image.regions == (Region(address, 16),)
    assert image.start_address == address + 1


def test_a_start_address_of_zero_is_none() -> None:
    assert parse(A, record(7, 0)).start_address is None


@pytest.mark.parametrize("kind", [1, 2, 3])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_long_runs(kind: int, end: str) -> None:
    data = bytes(range(256)) * 16
    lines = [record(kind, n * 32, data[n * 32 : n * 32 + 32]) for n in range(128)]
    ends = [record(5, 128), record(10 - kind, 0)]
    assert parse(*lines, *ends, end=end) == MemoryImage.from_bytes(0, data)
    lines[77] = lines[77][:30] + "_" + lines[77][31:]
    with pytest.raises(InputError, match="no hex digit") as error:
        parse(*lines, *ends, end=end)
    assert error.value.place.line == 78
    lines[77] = record(kind, 77 * 32, data[:32])[:-2] + "00"
    with pytest.raises(InputError, match="checksum") as error:
        parse(*lines, *ends, end=end)
    assert error.value.place.line == 78


def test_counts_are_verified() -> None:
    assert parse(record(0, 0, b"name"), A, record(6, 1), END).size == 4
    error = refused(A, record(5, 2), END)
    assert (error.place.line, error.expected, error.found) == (2, "2 data records, as this record counts", "1")


def test_text_behind_the_end_record_is_noted() -> None:
    assert parse(A, END, "", "Some text").notes == ("1 line of text behind the end record in line 2 ignored",)


@pytest.mark.parametrize(
    ("lines", "line", "message", "expected", "found"),
    [
        ([A[:-2] + "00", END], 1, "checksum is wrong", A[-2:], "00"),
        ([A, "S30900000004616263X46C", END], 2, "no hex digit", "0 to 9, A to F", "'X'"),
        ([A, A[:-1], END], 2, "odd number of digits", "two digits", "19 digits"),
        ([A[:-2], END], 1, "length is not the one it states", "9 bytes behind the count", "8 bytes"),
        ([A, "S3", END], 2, "length is not the one it states", "at least 5", "0 bytes"),
        ([A, A[1:], END], 2, "no record", "'S'", "'309"),
        ([A, A.lower(), END], 2, "no record", "'S'", "'s309"),
        (["\xef\xbb\xbf" + A, END], 1, "byte order mark", "'S'", "EF BB BF"),
        ([A, "S4" + A[2:], END], 2, "type does not exist", "S0 to S3, S5 to S9", "'S4'"),
        ([A, record(7, 0, b"a")], 2, "type S7 has no data", "0 bytes", "1 bytes"),
        ([A, record(5, 1, b"a")], 2, "type S5 has no data", "0 bytes", "1 bytes"),
        ([A, END, A], 3, "record follows the end record", "no record behind line 2", "'S309"),
        ([A], 2, "end record is missing", "a record of type S7, S8 or S9", "end of the file"),
        ([A, record(3, 0x0800_0002, b"cX"), END], 2, "two different values", "0x64, as before", "0x58"),
        ([record(3, 0xFFFF_FFFF, b"ab"), END], 1, "32-bit address space", "at most 0x100000000", "0x100000001"),
    ],
)
def test_damage_is_named(lines: list[str], line: int, message: str, expected: str, found: str) -> None:
    error = refused(*lines)
    assert error.place.line == line
    assert message in error.message
    assert expected in (error.expected or "")
    assert found in (error.found or "")


def test_widths_may_be_mixed() -> None:
    # common practice, no source: srec_cat takes the least width for each record, the end record too
    lines = [record(1 + n // 50, n * 16, bytes([n]) * 16) for n in range(150)]
    image = parse(*lines, record(6, 150), record(8, 0x101))
    assert image == MemoryImage.from_bytes(0, b"".join(bytes([n]) * 16 for n in range(150)), start_address=0x101)


def test_a_count_that_holds_may_end_a_file() -> None:
    # common practice, no source: srec_cat writes no end record when no entry point is known
    assert parse(A, record(5, 1)).regions == (Region(0x0800_0000, 4),)
    assert "end record is missing" in refused(A, record(5, 1), record(3, 0, b"a")).message
    long = [record(3, n * 16, bytes(16)) for n in range(20)]
    assert "end record is missing" in refused(record(5, 0), *long).message


@pytest.mark.parametrize("lines", [[record(0, 0, b"x"), record(9, 0)], [record(1, 0), record(9, 0)]])
def test_a_file_without_data_is_refused(lines: list[str]) -> None:
    assert "no data in this file" in refused(*lines).message


def test_what_header_records_say_is_given_to_those_who_ask() -> None:
    said = bytearray()
    text = "\n".join([record(0, 0, b"name"), A, record(0, 0, b", more"), END, "\x1a"])
    image = read(io.BytesIO(text.encode()), name="a.srec", aside=said)
    assert (bytes(said), image) == (b"name, more", parse(A, END))
    lines = [record(0, 0, bytes(250)) for _ in range(263)]
    assert parse(*lines, A, END) == image  # nobody asks
    with pytest.raises(InputError, match="say more than any firmware") as refused_:
        read(io.BytesIO("\n".join([*lines, A, END]).encode()), name="a.srec", aside=bytearray())
    assert refused_.value.place.line == 263


@pytest.mark.parametrize("behind", ["Some text", ":00000001FF", "\x1a\x1a"])
def test_nothing_may_follow_where_firmware_has_to_be_alone(behind: str) -> None:
    with pytest.raises(InputError, match="something follows the end record") as refused_:
        read(io.BytesIO(f"{A}\n{END}\n\n{behind}".encode()), name="a.srec", aside=bytearray())
    assert refused_.value.place.line == 4
