"""Takes a stream of text records apart into chunks that end on a line, so that readers never hold a whole file."""

from collections.abc import Iterator
from typing import BinaryIO

from imgseal.errors import InputError, Place
from imgseal.limits import CHUNK, LINE_BYTES

__all__ = ["blocks", "lines"]


def blocks(stream: BinaryIO, name: str) -> Iterator[bytes]:
    """Yield pieces of about limits.CHUNK bytes that end behind a line feed, the last one perhaps without one.

    Lone carriage returns count as line ends. InputError for a line longer than limits.LINE_BYTES.
    """
    rest = b""
    line = 1
    while chunk := stream.read(CHUNK):
        if b"\r" in chunk and b"\n" not in chunk:
            chunk = chunk.replace(b"\r", b"\n")
        cut = chunk.rfind(b"\n") + 1
        if not cut:
            rest += chunk
            _bound(rest, name, line)
            continue
        yield rest + chunk[:cut] if rest else chunk[:cut]
        line += chunk.count(b"\n")
        rest = chunk[cut:]
    if rest:
        _bound(rest, name, line)
        yield rest


def _bound(rest: bytes, name: str, line: int) -> None:
    if len(rest) > LINE_BYTES:
        raise InputError(
            "this line is longer than any record",
            place=Place(file=name, line=line),
            expected=f"at most {LINE_BYTES} characters",
            found=f"at least {len(rest)}",
        )


def lines(block: bytes, position: int, count: int) -> Iterator[tuple[bytes, int]]:
    """Yield up to `count` lines of a block from `position`, without their ends, and the position behind each."""
    size = len(block)
    while position < size and count:
        end = block.find(b"\n", position)
        end = size if end < 0 else end
        yield block[position:end].rstrip(b"\r"), min(end + 1, size)
        position = end + 1
        count -= 1
