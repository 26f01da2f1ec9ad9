"""Where the bytes of an image lie: in memory, or in a file that the edge provides."""

from typing import BinaryIO, Protocol

from imgseal.records import NamedTuple


class Extent(NamedTuple):
    """A run of data and where its bytes lie in the store; several that touch make one region."""

    address: int
    size: int
    offset: int


class ByteStore(Protocol):
    """Bytes that are appended while an image is built, and read often."""

    @property
    def size(self) -> int:
        """Bytes appended so far."""

    def append(self, data: bytes) -> int:
        """Add bytes at the end; return the offset of the first one."""

    def write(self, offset: int, data: bytes) -> None:
        """Replace bytes that were appended before; only the image builder does, before there is an image."""

    def read(self, offset: int, size: int) -> bytes:
        """Return exactly `size` bytes from `offset`; they must have been appended."""


class MemoryStore:
    """A store in memory."""

    __slots__ = ("_data",)

    def __init__(self) -> None:
        self._data = bytearray()

    @property
    def size(self) -> int:
        """Bytes appended so far."""
        return len(self._data)

    def append(self, data: bytes) -> int:
        """Add bytes at the end."""
        offset = len(self._data)
        self._data += data
        return offset

    def write(self, offset: int, data: bytes) -> None:
        """Replace bytes that were appended before."""
        self._data[offset : offset + len(data)] = data

    def read(self, offset: int, size: int) -> bytes:
        """Return `size` bytes from `offset`."""
        return bytes(memoryview(self._data)[offset : offset + size])


class FileStore:
    """A store in a binary stream that can be read, written and positioned; the caller opens and closes it.

    The stream belongs to the store as long as the image is used: nobody else moves its position. It starts empty.
    """

    __slots__ = ("_at_end", "_size", "_stream")

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._size = 0
        self._at_end = False

    @property
    def size(self) -> int:
        """Bytes appended so far."""
        return self._size

    def append(self, data: bytes) -> int:
        """Add bytes at the end."""
        if not self._at_end:  # a seek between two writes would empty the stream's buffer each time
            self._stream.seek(self._size)
            self._at_end = True
        self._stream.write(data)
        offset = self._size
        self._size += len(data)
        return offset

    def write(self, offset: int, data: bytes) -> None:
        """Replace bytes that were appended before."""
        self._stream.seek(offset)
        self._at_end = False
        self._stream.write(data)

    def read(self, offset: int, size: int) -> bytes:
        """Return `size` bytes from `offset`."""
        self._stream.seek(offset)
        self._at_end = False
        return self._stream.read(size)
