"""Windows of bytes: random access to an artefact, wherever it lies."""

import hashlib
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Protocol

from imgseal.limits import CHUNK

if TYPE_CHECKING:

    class Bytes(Protocol):
        """Random access to an artefact; `read` returns fewer bytes than asked for only at the end."""

        @property
        def size(self) -> int:
            """Bytes in all."""

        def read(self, offset: int, length: int) -> memoryview | bytes:
            """Return up to `length` bytes from `offset`."""

else:
    Bytes = object  # making a Protocol costs 0.15 ms of every start


class ByteView:
    """An artefact held in memory, read once: what was judged is what was read. Reads never pass its end."""

    __slots__ = ("_view", "size")

    def __init__(self, data: bytes | memoryview) -> None:
        self._view = memoryview(data)
        self.size = len(data)

    def __reduce__(self) -> tuple[type["ByteView"], tuple[bytes]]:
        """Travel to another process as bytes."""
        return ByteView, (bytes(self._view),)

    def read(self, offset: int, length: int) -> memoryview:
        """Return up to `length` bytes from `offset`."""
        return self._view[offset : offset + length]


class Window:
    """`size` bytes from `start` of whatever `read` reads: a region of an image, a part of a file, or all of it."""

    __slots__ = ("_read", "_start", "size")

    def __init__(self, read: Callable[[int, int], bytes | memoryview], start: int, size: int) -> None:
        self._read, self._start, self.size = read, start, size

    @classmethod
    def of(cls, data: Bytes) -> "Window":
        """Return the window of all there is."""
        return cls(data.read, 0, data.size)

    def read(self, offset: int, length: int) -> bytes:
        """Return up to `length` bytes from `offset`."""
        return bytes(self._read(self._start + offset, max(0, min(length, self.size - offset))))

    def chunks(self) -> Iterator[bytes]:
        """Yield all bytes in order."""
        for at in range(0, self.size, CHUNK):
            yield self.read(at, CHUNK)


def digest_of(pieces: Iterable[bytes | memoryview]) -> bytes:
    """Return the SHA-256 of bytes that come in pieces."""
    state = hashlib.sha256()
    for piece in pieces:
        state.update(piece)
    return state.digest()
