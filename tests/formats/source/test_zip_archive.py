"""Zip archives as several writers make them; whatever can be read in two ways is an error, and memory stays bounded.

Sources: CPython's zipfile, Info-ZIP and git as writers; APPNOTE 6.3.10 for the fields that are spoiled.
"""

import io
import random
import struct
import subprocess
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from gate_tree import as_zip

from imgseal.errors import InputError
from imgseal.formats.archives.zip_archive import _descriptors, directory, ends_as_zip, members

TEXT = b"words " * 300


def contents(data: bytes) -> dict[str, bytes]:
    """What the archive holds by name; ValueError for a member that says two things."""
    stream = io.BytesIO(data)
    found = {}
    for member in members(stream, directory(stream), lambda: None):
        if member.damaged is not None:
            raise ValueError(member.damaged)
        pieces = []
        while piece := member.content.read(100):
            pieces.append(piece)
        found[member.names[0]] = b"".join(pieces)
    return found


class Pipe(io.RawIOBase):
    """What cannot be positioned: writers then put sizes behind the data."""

    def __init__(self) -> None:
        self.data = b""

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        piece = bytes(data)  # type: ignore[call-overload]
        self.data += piece
        return len(piece)


FILES = {"a": TEXT, "b/c.bin": random.Random(1).randbytes(5000), "umlaut-\u00e4": b"", "d/": b""}


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize("piped", [False, True])
@pytest.mark.parametrize("large", [False, True])
def test_as_the_standard_library_writes_it(method: int, piped: bool, large: bool) -> None:
    out = Pipe() if piped else io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in FILES.items():
            with archive.open(name, "w", force_zip64=large) as member:
                member.write(data)
    assert contents(out.data if isinstance(out, Pipe) else out.getvalue()) == FILES


@pytest.mark.parametrize("command", ["zip -qr o.zip in", "zip -qr - in > o.zip", "zip -qr -fz o.zip in"])
def test_as_info_zip_writes_it(command: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("zip")
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a").write_bytes(TEXT)
    subprocess.run(command, shell=True, cwd=tmp_path, check=True)
    assert contents((tmp_path / "o.zip").read_bytes()) == {"in/": b"", "in/a": TEXT}


def test_a_prefix_is_passed_over_with_and_without_offsets_that_count_it() -> None:
    """APPNOTE 4.1.9: self-extracting archives."""
    plain = as_zip({"a": TEXT})
    out = io.BytesIO(b"#!/bin/sh\n")
    out.seek(0, 2)
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr("a", TEXT)
    for data in (b"#!/bin/sh\n" + plain, out.getvalue()):
        assert ends_as_zip(data)
        assert contents(data) == {"a": TEXT}


@pytest.mark.parametrize("data", [b"", TEXT, as_zip({}), b"PK\x05\x06" + bytes(18), as_zip({"a": TEXT})[:-1]])
def test_what_does_not_end_as_a_zip_with_members(data: bytes) -> None:
    assert not ends_as_zip(data)


def test_an_end_record_whose_directory_is_in_front_of_what_was_read() -> None:
    """APPNOTE 4.3.16: the directory of an archive with many members does not fit into the last bytes of the file."""
    record = as_zip({"a": TEXT})[-22:]
    assert record[:4] == b"PK\x05\x06"
    assert ends_as_zip(record)
    assert not ends_as_zip(b"#" * 100 + record)
    assert not ends_as_zip(b"#" * 100 + record[:12] + (45).to_bytes(4, "little") + record[16:])
    assert not ends_as_zip(record[:12] + (45).to_bytes(4, "little") + record[16:])
    assert ends_as_zip(record[:12] + (46).to_bytes(4, "little") + record[16:])


def deflated(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


ZIP = deflated({"a": TEXT, "b": b"b"})
AT, END = ZIP.rfind(b"PK\x01\x02"), ZIP.rfind(b"PK\x05\x06")


def put(at: int, value: bytes, data: bytes = ZIP) -> bytes:
    return data[:at] + value + data[at + len(value) :]


ENTRY = ZIP.find(b"PK\x01\x02")
COMMENTED = ZIP[:-2] + struct.pack("<H", 22) + ZIP[-22:]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (ZIP[:-1], "cut off"),
        (ZIP[:END], "cut off"),
        (ZIP + b"\0", "cut off"),
        (ZIP + as_zip({"c": b""}), "before its first"),
        (ZIP[: ZIP.find(b"PK\x03\x04", 4)] + ZIP, "before its first"),
        (COMMENTED, "more than one end"),
        (put(END + 16, b"PK\x05\x06"), "more than one end"),
        (put(END + 4, b"\1"), "one part of several"),
        (put(END + 8, b"\1"), "one part of several"),
        (put(END + 8, b"\1\0\1\0"), "directory is damaged"),
        (put(END + 12, struct.pack("<L", 1 << 31)), "not where it has to be"),
        (put(END + 16, struct.pack("<L", 1 << 31)), "not where it has to be"),
        (put(ENTRY, b"PK\x01\x03"), "directory is damaged"),
        (put(ENTRY + 28, b"\xff\xff"), "directory is damaged"),
        (put(ENTRY + 42, b"\1"), "before its first"),
        (put(0, b"PK\x03\x05"), "not where the directory says"),
        (put(ENTRY + 20, b"\xff\xff"), "reaches into"),
        (put(ENTRY + 20, b"\1\0"), "behind a member"),
        (put(26, b"\0"), "reaches into|behind a member"),
    ],
)
def test_what_does_not_fill_the_file(data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        contents(data)


@pytest.mark.parametrize(
    ("at", "value", "words"),
    [(14, b"\0", "CRC"), (18, b"\0", "packed size"), (22, b"\0", "size"), (30, b"x", "name"), (8, b"\0", "method")],
)
def test_headers_that_do_not_agree(at: int, value: bytes, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        contents(put(at, value))


def test_a_directory_that_knows_of_no_content() -> None:
    """Size and CRC 0 in the directory alone: a reader from the front unpacks what is there."""
    with pytest.raises(ValueError, match="do not agree"):
        contents(put(ENTRY + 24, bytes(4), put(ENTRY + 16, bytes(4))))


def both(at: int, entry: int, value: bytes) -> bytes:
    """Say something wrong in both headers of the first member."""
    return put(at, value, put(ENTRY + entry, value))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (both(14, 16, bytes(4)), "CRC is wrong"),
        (both(22, 24, struct.pack("<L", 6)), "larger than its size"),
        (both(22, 24, struct.pack("<L", 9000)), "does not end where"),
    ],
)
def test_data_that_does_not_end_where_its_size_says(data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        contents(data)


def test_a_prefix_of_the_data_is_not_the_data() -> None:
    """Size and CRC are those of the first six bytes; a reader that follows the data unpacks more."""
    import zlib

    short = struct.pack("<L", zlib.crc32(b"words "))
    with pytest.raises(InputError, match="larger than its size"):
        contents(put(14, short, put(ENTRY + 16, short, both(22, 24, struct.pack("<L", 6)))))


def test_bytes_behind_deflated_data() -> None:
    """The packed size reaches over something that no inflater reads."""
    end = ZIP.find(b"PK\x03\x04", 4)
    more = struct.pack("<L", struct.unpack_from("<L", ZIP, 18)[0] + 5)
    data = both(18, 20, more)
    data = data[:end] + b"12345" + data[end:]
    data = put(AT + 5 + 42, struct.pack("<L", end + 5), data)
    data = put(END + 5 + 16, struct.pack("<L", struct.unpack_from("<L", ZIP, END + 16)[0] + 5), data)
    with pytest.raises(InputError, match="does not end where"):
        contents(data)


def test_a_data_descriptor_has_to_agree() -> None:
    out = Pipe()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("a", TEXT)
    at = out.data.find(b"PK\x07\x08")
    with pytest.raises(InputError, match="behind a member"):
        contents(put(at + 4, b"\0\0", out.data))


def zip64(data: bytes, *, full: bool = False, **change: int) -> bytes:
    """The archive with a zip64 end record, and `full` fields in the other one; APPNOTE 4.3.14 and 4.3.15."""
    at = data.rfind(b"PK\x05\x06")
    count, size, offset = struct.unpack_from("<HLL", data, at + 10)
    data = put(at + 8, b"\xff" * 12, data) if full else data
    says = {"rest": 44, "count": count, "size": size, "offset": offset, "at": at, **change}
    record = struct.pack("<4sQHHLLQQ", b"PK\x06\x06", says["rest"], 45, 45, 0, 0, says["count"], says["count"])
    record += struct.pack("<QQ", says["size"], says["offset"])
    locator = struct.pack("<4sLQL", b"PK\x06\x07", 0, says["at"], 1)
    return data[:at] + record + locator + data[at:]


def test_zip64() -> None:
    assert contents(zip64(ZIP)) == {"a": TEXT, "b": b"b"}
    assert contents(zip64(ZIP, full=True)) == {"a": TEXT, "b": b"b"}


@pytest.mark.parametrize("change", [{"count": 3}, {"size": 9}, {"offset": 3}, {"at": 0}, {"rest": 45}])
@pytest.mark.parametrize("full", [False, True])
def test_zip64_that_says_something_else(change: dict[str, int], full: bool) -> None:
    with pytest.raises(InputError, match=r"zip64|not where it has to be|directory"):
        contents(zip64(ZIP, full=full, **change))


def test_a_locator_that_points_elsewhere() -> None:
    """One reader follows the locator, another reads in front of it; both find a record."""
    fake = struct.pack("<4sQHHLLQQQQ", b"PK\x06\x06", 44, 45, 45, 0, 0, 1, 1, 47, 0)
    local = ZIP[:ENTRY]
    data = local + fake + ZIP[ENTRY:]
    at = len(local) + len(fake) + END - ENTRY
    data = put(at + 16, struct.pack("<L", len(local) + len(fake)), data)
    with pytest.raises(InputError, match="not where it has to be"):
        contents(zip64(data, at=len(local)))


def test_every_entry_is_counted_before_a_member_is_read() -> None:
    count = 0

    def each() -> None:
        nonlocal count
        count += 1
        if count > 3:
            raise MemoryError

    stream = io.BytesIO(as_zip({f"{n}": b"" for n in range(5)}))
    with pytest.raises(MemoryError):
        next(members(stream, directory(stream), each))
    assert count == 4


def test_memory_is_bounded() -> None:
    """64 MiB in one member, and no more than pieces of it in memory."""
    data = deflated({"a": bytes(64 << 20)})
    stream = io.BytesIO(data)
    tracemalloc.start()
    member = next(members(stream, directory(stream), lambda: None))
    size = 0
    while piece := member.content.read(1 << 20):
        size += len(piece)
    assert size == 64 << 20
    assert tracemalloc.get_traced_memory()[1] < 8 << 20
    tracemalloc.stop()


def test_names_that_some_readers_give() -> None:
    """Info-ZIP's field for names in Unicode; APPNOTE 4.6.9."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        info = zipfile.ZipInfo("a")
        name = b"../b"
        info.extra = struct.pack("<HHBL", 0x7075, 5 + len(name), 1, 0xE8B7BE43) + name
        archive.writestr(info, b"")
    stream = io.BytesIO(out.getvalue())
    assert [member.names for member in members(stream, directory(stream), lambda: None)] == [("a", "../b", "../b")]


@pytest.mark.parametrize(("size", "forms"), [(5, 4), (0xFFFF_FFFE, 4), (0xFFFF_FFFF, 4), (0x1_0000_0000, 2)])
def test_descriptors_of_four_bytes_where_sizes_fit(size: int, forms: int) -> None:
    """APPNOTE 4.3.9: sizes of four or of eight bytes, with a signature in front or without."""
    entry = SimpleNamespace(crc=7, packed=5, size=size)
    found = _descriptors(entry)  # type: ignore[arg-type]
    assert len(set(found)) == forms
    assert {len(each) for each in found} == ({12, 16, 20, 24} if forms == 4 else {20, 24})
