"""Gzip files as the standard library and gzip(1) write them, read to their end; RFC 1952."""

import gzip
import io
import random
import zlib

import pytest

from imgseal.errors import InputError
from imgseal.formats.archives.gzip_stream import Gunzip

DATA = random.Random(3).randbytes(300_000) + bytes(300_000)
PACKED = gzip.compress(DATA, mtime=0)


def content(data: bytes, step: int = 1 << 20) -> bytes:
    stream = Gunzip(io.BytesIO(data), lambda: None)
    pieces = []
    while piece := stream.read(step):
        pieces.append(piece)
    assert stream.read(step) == b""
    return b"".join(pieces)


@pytest.mark.parametrize("step", [511, 70_000, 1 << 20])
def test_content(step: int) -> None:
    assert content(PACKED, step) == DATA
    assert content(PACKED + PACKED, step) == DATA + DATA
    assert content(PACKED + bytes(100_000), step) == DATA


def test_a_read_is_short_only_at_the_end() -> None:
    stream = Gunzip(io.BytesIO(gzip.compress(b"ab") + gzip.compress(b"cd")), lambda: None)
    assert [stream.read(3), stream.read(3), stream.read(3)] == [b"abc", b"d", b""]


@pytest.mark.parametrize(
    "data",
    [
        PACKED[:-1],
        PACKED[:-9],
        PACKED[:5],
        PACKED + b"x",
        PACKED + bytes(99) + b"x",
        PACKED + bytes(99) + PACKED,
        PACKED + PACKED[:20],
        PACKED[:-8] + b"xxxx" + PACKED[-4:],
        PACKED[:-4] + b"xxxx",
        PACKED[:200_000] + b"xxxx" + PACKED[200_004:],
        bytes(1) + PACKED,
    ],
    ids=range(11),
)
def test_damage(data: bytes) -> None:
    with pytest.raises((InputError, zlib.error)):
        content(data)


def test_members_are_counted() -> None:
    count = 0

    def each() -> None:
        nonlocal count
        count += 1

    Gunzip(io.BytesIO(gzip.compress(b"") * 50), each).read(1)
    assert count == 50


def named(size: int) -> bytes:
    return b"\x1f\x8b\x08\x08" + bytes(6) + b"n" * size + b"\0" + PACKED[10:]


def test_headers_are_bounded() -> None:
    assert content(named(60_000)) == DATA
    stream = io.BytesIO(named(10_000_000))
    with pytest.raises(InputError, match="without an end"):
        Gunzip(stream, lambda: None).read(1)
    assert stream.tell() < 1 << 18
