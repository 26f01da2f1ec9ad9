"""Random access to bytes in memory, without copies."""

__all__ = ["ByteView"]


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
