"""Where the bytes of an image lie: in memory, or in a file that the edge provides."""

from typing import BinaryIO, Protocol

__all__ = ["ByteStore", "FileStore", "MemoryStore"]


class ByteStore(Protocol):
    """Bytes that are appended once and read often."""

    def append(self, data: bytes) -> int:
        """Add bytes at the end; return the offset of the first one."""

    def read(self, offset: int, size: int) -> bytes:
        """Return exactly `size` bytes from `offset`; they must have been appended."""


class MemoryStore:
    """A store in memory."""

    __slots__ = ("_data",)

    def __init__(self) -> None:
        self._data = bytearray()

    def append(self, data: bytes) -> int:
        """Add bytes at the end."""
        offset = len(self._data)
        self._data += data
        return offset

    def read(self, offset: int, size: int) -> bytes:
        """Return `size` bytes from `offset`."""
        return bytes(memoryview(self._data)[offset : offset + size])


class FileStore:
    """A store in a binary stream that can be read, written and positioned; the caller opens and closes it."""

    __slots__ = ("_size", "_stream", "_writing")

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._size = 0
        self._writing = True

    def append(self, data: bytes) -> int:
        """Add bytes at the end."""
        if not self._writing:
            self._stream.seek(self._size)
            self._writing = True
        self._stream.write(data)
        offset = self._size
        self._size += len(data)
        return offset

    def read(self, offset: int, size: int) -> bytes:
        """Return `size` bytes from `offset`."""
        self._stream.seek(offset)
        self._writing = False
        return self._stream.read(size)
