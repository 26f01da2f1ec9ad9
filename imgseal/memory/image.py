"""A memory image: disjoint regions of bytes at 32-bit addresses, as firmware files describe them."""

from bisect import bisect_right
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from imgseal.errors import InputError, Place
from imgseal.limits import CHUNK
from imgseal.memory.store import ByteStore, MemoryStore

if TYPE_CHECKING:
    import intelhex

__all__ = ["ADDRESS_END", "Extent", "MemoryImage", "Region"]

ADDRESS_END = 1 << 32


class Region(NamedTuple):
    """A run of data: first address and size in bytes."""

    address: int
    size: int

    @property
    def end(self) -> int:
        """The address behind the last byte; at most 2**32."""
        return self.address + self.size


class Extent(NamedTuple):
    """A region and where its bytes lie in the store."""

    address: int
    size: int
    offset: int


class MemoryImage:
    """An immutable image. Regions are in ascending order, disjoint, and never touch each other.

    `start_address` is the entry point that the file states, if any; `notes` are remarks of the reader that refuse nothing.
    """

    __slots__ = ("_extents", "_store", "notes", "regions", "start_address")

    def __init__(
        self,
        store: ByteStore,
        extents: tuple[Extent, ...],
        start_address: int | None = None,
        notes: tuple[str, ...] = (),
    ) -> None:
        self._store = store
        self._extents = extents
        self.regions = tuple(Region(e.address, e.size) for e in extents)
        self.start_address = start_address
        self.notes = notes

    @classmethod
    def from_bytes(cls, address: int, data: bytes, start_address: int | None = None) -> "MemoryImage":
        """Make an image of one region; ValueError when it would end above 2**32."""
        if not 0 <= address <= ADDRESS_END - len(data):
            raise ValueError("the data does not fit below 2**32")
        store = MemoryStore()
        store.append(data)
        return cls(store, (Extent(address, len(data), 0),) if data else (), start_address)

    @classmethod
    def from_intelhex(cls, source: "intelhex.IntelHex") -> "MemoryImage":
        """Take over the data and the entry point of an `intelhex.IntelHex`."""
        from imgseal.memory.builder import ImageBuilder  # noqa: PLC0415 - the builder makes images

        builder = ImageBuilder()
        for start, end in source.segments():
            for address in range(start, end, CHUNK):
                builder.add(address, source.tobinstr(start=address, size=min(CHUNK, end - address)))
        entry = source.start_addr or {}
        start_address = entry.get("EIP")
        if start_address is None and "CS" in entry:
            start_address = entry["CS"] * 16 + entry["IP"]
        return builder.finish(start_address=start_address)

    def to_intelhex(self) -> "intelhex.IntelHex":
        """Return the image as an `intelhex.IntelHex`, the entry point as EIP."""
        import intelhex  # noqa: PLC0415 - 20 ms, only for those who ask

        out = intelhex.IntelHex()
        for region in self.regions:
            address = region.address
            for piece in self.chunks(region):
                out.frombytes(piece, offset=address)
                address += len(piece)
        if self.start_address is not None:
            out.start_addr = {"EIP": self.start_address}
        return out

    @property
    def size(self) -> int:
        """Bytes of data, gaps not counted."""
        return sum(extent.size for extent in self._extents)

    @property
    def lowest(self) -> int:
        """The lowest address that holds data; the image must not be empty."""
        return self._extents[0].address

    @property
    def end(self) -> int:
        """The address behind the highest byte; the image must not be empty."""
        return self.regions[-1].end

    def chunks(self, region: Region, size: int = CHUNK) -> Iterator[bytes]:
        """Yield the bytes of one of the regions, or of a part of one, in pieces of at most `size`."""
        for address in range(region.address, region.end, size):
            yield self.read(address, min(size, region.end - address))

    def read(self, address: int, size: int) -> bytes:
        """Return bytes that all lie in one region; InputError when some are missing."""
        index = bisect_right(self._extents, (address, ADDRESS_END, ADDRESS_END)) - 1
        if index >= 0:
            extent = self._extents[index]
            if address + size <= extent.address + extent.size:
                return self._store.read(extent.offset + address - extent.address, size)
        raise InputError("the image has no data there", place=Place(address=address), expected=f"{size} bytes")

    def filled(self, start: int, end: int, fill: int = 0xFF) -> Iterator[bytes]:
        """Yield all bytes from `start` to `end`, gaps filled, in pieces of at most limits.CHUNK."""
        position = start
        for part in self.crop(start, end).regions:
            yield from _fill(fill, part.address - position)
            yield from self.chunks(part)
            position = part.end
        yield from _fill(fill, end - position)

    def crop(self, start: int, end: int) -> "MemoryImage":
        """Return what lies from `start` to `end`; the bytes are shared."""
        return self._with(tuple(_cut(extent, start, end) for extent in self._extents))

    def without(self, start: int, end: int) -> "MemoryImage":
        """Return the image without what lies from `start` to `end`; the bytes are shared."""
        parts = []
        for extent in self._extents:
            parts += [_cut(extent, 0, start), _cut(extent, end, ADDRESS_END)]
        return self._with(tuple(parts))

    def _with(self, parts: tuple[Extent, ...]) -> "MemoryImage":
        return MemoryImage(self._store, tuple(p for p in parts if p.size > 0), self.start_address, self.notes)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, MemoryImage):
            return NotImplemented
        return (
            self.regions == other.regions
            and self.start_address == other.start_address
            and all(
                mine == theirs
                for region in self.regions
                for mine, theirs in zip(self.chunks(region), other.chunks(region), strict=True)
            )
        )

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        spans = ", ".join(f"0x{r.address:08x}..0x{r.end:08x}" for r in self.regions[:4])
        return f"<MemoryImage {spans}{', ...' if len(self.regions) > 4 else ''}>"


def _cut(extent: Extent, start: int, end: int) -> Extent:
    low, high = max(extent.address, start), min(extent.address + extent.size, end)
    return Extent(low, max(0, high - low), extent.offset + low - extent.address)


def _fill(fill: int, size: int) -> Iterator[bytes]:
    while size > 0:
        yield bytes([fill]) * min(size, CHUNK)
        size -= CHUNK
