"""Tar archives as Python's tarfile and GNU tar write them; what is damaged is an error, and memory stays bounded.

Sources: CPython's tarfile in its three formats; GNU tar; IEEE Std 1003.1 pax for the fields.
"""

import io
import random
import subprocess
import tarfile
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
from gate_tree import as_tar

from imgseal.errors import InputError
from imgseal.formats.archives.tar_stream import is_tar, members

NAMES = ["a", "b/c.bin", "d" * 99, "g" * 140 + "/" + "h" * 90, "umlaut-\u00e4", "blank in it"]
LONG = ["e/" + "f" * 120, "g" * 180 + "/" + "h" * 90]


def contents(data: bytes) -> dict[str, bytes | str]:
    """What the archive holds: bytes of files, targets of links; "" for folders and devices."""
    return {m.name: m.content.read() if m.content else m.link or "" for m in members(io.BytesIO(data))}


def written(files: dict[str, bytes], form: int) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=form) as archive:
        for name, data in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    return out.getvalue()


@pytest.mark.parametrize("form", [tarfile.USTAR_FORMAT, tarfile.GNU_FORMAT, tarfile.PAX_FORMAT])
def test_as_the_standard_library_writes_it(form: int) -> None:
    rng = random.Random(form)
    files = {
        name: rng.randbytes(rng.choice([0, 1, 511, 512, 513, 70_000]))
        for name in NAMES + ([] if form == tarfile.USTAR_FORMAT else LONG)
    }
    data = written(files, form)
    assert is_tar(data)
    assert contents(data) == files


@pytest.mark.parametrize("form", ["v7", "oldgnu", "gnu", "ustar", "posix"])
def test_as_gnu_tar_writes_it(form: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    (tmp_path / "in" / "deep").mkdir(parents=True)
    (tmp_path / "in" / "deep" / "x.bin").write_bytes(b"x" * 1000)
    (tmp_path / "in" / "link").symlink_to("deep/x.bin")
    (tmp_path / "in" / "up").symlink_to("../../outside")
    (tmp_path / "in" / "second").hardlink_to(tmp_path / "in" / "deep" / "x.bin")
    command = [tool("tar"), f"--format={form}", "--sort=name", "-cf", "a.tar", "in"]
    subprocess.run(command, cwd=tmp_path, check=True)
    found = contents((tmp_path / "a.tar").read_bytes())
    assert found == {
        "in/": "",
        "in/deep/": "",
        "in/deep/x.bin": b"x" * 1000,
        "in/link": "in/deep/x.bin",
        "in/second": "in/deep/x.bin",
        "in/up": "in/../../outside",
    }
    sizes = {m.name: m.size for m in members(io.BytesIO((tmp_path / "a.tar").read_bytes()))}
    assert {name for name, size in sizes.items() if size} == {"in/deep/x.bin"}


def test_members_may_be_left_unread() -> None:
    data = as_tar({"a": b"a" * 3000, "b": b"b" * 3000, "c": b""})
    found = [(each.name, each.size, each.content.read(5)) for each in members(io.BytesIO(data)) if each.content]
    assert found == [("a", 3000, b"aaaaa"), ("b", 3000, b"bbbbb"), ("c", 0, b"")]


GOOD = as_tar({"a": b"a" * 700, "b": b"b"})


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (GOOD[:600], "cut off"),
        (GOOD[: 512 + 1024], "cut off"),
        (GOOD[:512] + GOOD[512:1536] + bytes(100), "cut off"),
        (GOOD[:1536] + b"x" * 512 + GOOD[2048:], "checksum"),
        (GOOD + b"more", "follows the end"),
        (GOOD[:3], "cut off"),
    ],
)
def test_damage(data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        contents(data)


def header(**fields: bytes) -> bytes:
    """A header block for an empty member, with fields replaced, and its checksum right."""
    places = {"name": (0, 100), "size": (124, 12), "kind": (156, 1), "link": (157, 100), "magic": (257, 8)}
    block = bytearray(512)
    block[0:4], block[124:135], block[156:157], block[257:265] = b"name", b"00000000000", b"0", b"ustar\x0000"
    for name, value in fields.items():
        at, size = places[name]
        block[at : at + size] = value.ljust(size, b"\0")
    block[148:156] = b"%06o\0 " % (sum(block[:148]) + sum(block[156:]) + 256)
    return bytes(block)


def pax(*records: bytes) -> bytes:
    data = b"".join(records)
    return header(size=b"%011o" % len(data), kind=b"x") + data.ljust(-(-len(data) // 512) * 512, b"\0")


END = bytes(1024)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (header(size=b"-0000000001") + END, "no number"),
        (header(size=b"0000_000001") + END, "no number"),
        (header(size=b"\x80" + b"\xff" * 11) + END, "no number"),
        (header(size=b"\xff" + b"\xff" * 11) + END, "no number"),
        (header(kind=b"S") + END, "not looked into"),
        (header(kind=b"V") + END, "not looked into"),
        (header(kind=b"x", size=b"77777777777") + END, "too large"),
        (header(kind=b"L", size=b"00001000000") + END, "too large"),
        (header(kind=b"L", size=b"00000200001") + END, "too large"),
        (header(kind=b"L", size=b"00000200000") + END, "cut off"),  # 64 KiB may be
        (pax(b"22 GNU.sparse.major=1\n") + header() + END, "not looked into"),
        (pax(b"9 path=abc\n") + header() + END, "damaged"),
        (pax(b"xx path=a\n") + header() + END, "damaged"),
        (pax(b"11 path=ab\n", b"99999 path=b\n") + header() + END, "damaged"),
        (pax(b"12 size=-10\n") + header() + END, "no number"),
        (
            header(kind=b"g", size=b"00000000026") + b"22 GNU.sparse.major=1\n".ljust(512, b"\0") + header() + END,
            "makes all members sparse",
        ),
        (pax(*[b"5 a=\n"] * 129) + header() + END, "too many records"),
        (header(kind=b"5", size=b"00000000512") + header() + END, "has content"),
        (header(kind=b"2", size=b"00000000001") + bytes(512) + END, "has content"),
        (header(kind=b"g", size=b"00000000013") + b"11 path=ab\n".ljust(512, b"\0") + header() + END, "all members"),
    ],
)
def test_headers_that_lie(data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        contents(data)


def test_pax_says_what_the_header_has_no_room_for() -> None:
    data = pax(b"11 path=ab\n", b"10 size=3\n") + header() + b"abc".ljust(512, b"\0") + END
    assert contents(data) == {"ab": b"abc"}


def test_many_records_of_a_pax_header() -> None:
    data = pax(*[b"5 a=\n"] * 127, b"11 path=ab\n") + header() + END
    assert contents(data) == {"ab": b""}


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (header(name=b"a/", size=b"00000000003") + b"abc".ljust(512, b"\0") + END, {"a/": b"abc"}),
        (header(name=b"a/") + END, {"a/": ""}),
        (header(name=b"../a", kind=b"5") + header(name=b"/b", kind=b"6") + END, {"../a": "", "/b": ""}),
    ],
)
def test_every_member_has_a_name_and_only_what_is_empty_is_a_folder(data: bytes, found: dict[str, object]) -> None:
    assert contents(data) == found


def test_every_header_is_counted() -> None:
    count = 0

    def each() -> None:
        nonlocal count
        count += 1

    data = pax(b"6 a=b\n") * 3 + header() + header(kind=b"5") + END
    assert len(list(members(io.BytesIO(data), each))) == 2
    assert count == 5


def test_a_large_header_is_never_held() -> None:
    """It claims 8 GiB; a reader that takes the claim for true ends here."""
    data = header(kind=b"x", size=b"77777777777") + bytes(1 << 20)
    tracemalloc.start()
    with pytest.raises(InputError):
        contents(data)
    assert tracemalloc.get_traced_memory()[1] < 4 << 20
    tracemalloc.stop()


def test_what_is_no_archive() -> None:
    assert not is_tar(bytes(1024))
    assert not is_tar(b"x" * 1024)
    assert not is_tar(GOOD[:511])
    assert is_tar(header())


def test_random_damage_is_an_error_or_is_not_there() -> None:
    """Nothing but InputError, whichever byte is changed."""
    rng = random.Random(9)
    outcomes = set()
    for _ in range(3000):
        data = bytearray(GOOD)
        data[rng.randrange(len(data) // 4)] = rng.randrange(256)
        try:
            contents(bytes(data))
            outcomes.add("read")
        except InputError:
            outcomes.add("refused")
    assert outcomes == {"read", "refused"}
