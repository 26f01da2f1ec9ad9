"""Where the bytes of an image lie: in memory, or in a file that the edge provides."""

from io import BytesIO
from typing import BinaryIO

from imgseal.records import NamedTuple


class Extent(NamedTuple):
    """A run of data and where its bytes lie in the store; several that touch make one region."""

    address: int
    size: int
    offset: int


class ByteStore:
    """Bytes that are appended while an image is built, and read often; `size` of them so far.

    They lie in a binary stream that can be read, written and positioned, in memory where none is given; the caller
    opens and closes it. The stream belongs to the store as long as the image is used: nobody else moves its position.
    It starts empty.
    """

    __slots__ = ("_at_end", "_stream", "size")

    def __init__(self, stream: BinaryIO | None = None) -> None:
        self._stream = BytesIO() if stream is None else stream
        self._at_end = False
        self.size = 0

    def append(self, data: bytes) -> int:
        """Add bytes at the end; return the offset of the first one."""
        if not self._at_end:  # a seek between two writes would empty the stream's buffer each time
            self._stream.seek(self.size)
            self._at_end = True
        self._stream.write(data)
        offset = self.size
        self.size += len(data)
        return offset

    def write(self, offset: int, data: bytes) -> None:
        """Replace bytes that were appended before; only the image builder does, before there is an image."""
        self._stream.seek(offset)
        self._at_end = False
        self._stream.write(data)

    def read(self, offset: int, size: int) -> bytes:
        """Return exactly `size` bytes from `offset`; they must have been appended."""
        self._stream.seek(offset)
        self._at_end = False
        return self._stream.read(size)
