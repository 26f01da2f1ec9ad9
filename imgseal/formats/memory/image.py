"""A memory image: disjoint regions of bytes at 32-bit addresses, as firmware files describe them."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from typing import TYPE_CHECKING

from imgseal.errors import InputError, Place
from imgseal.formats.memory.spans import Region, between, overlap, subtract
from imgseal.formats.memory.store import ByteStore, Extent
from imgseal.limits import CHUNK, IMAGE_BYTES, REGIONS
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    import intelhex


class BuiltFor(NamedTuple):
    """What code was compiled for: numbers of architecture and floating-point unit as Arm's build attributes have them.

    `profile` is "M" for microcontrollers, "" where nothing is said; `name` is the processor in the compiler's words.
    """

    arch: int
    profile: str
    fp: int
    name: str


class MemoryImage:
    """An immutable image. Regions are in ascending order, disjoint, and never touch each other.

    `extents` are given in ascending order and disjoint. The bytes stay in the store: an image is good as long as its
    store is. `built_for` is what the file says that its code was compiled for, None where it says nothing.
    """

    __slots__ = ("_extents", "_notes", "_regions", "_start_address", "_starts", "_store", "built_for")

    def __init__(
        self,
        store: ByteStore,
        extents: tuple[Extent, ...],
        start_address: int | None = None,
        notes: tuple[str, ...] = (),
        built_for: BuiltFor | None = None,
    ) -> None:
        self.built_for = built_for
        self._store = store
        self._extents = extents
        self._starts = [extent.address for extent in extents]
        self._regions = _joined(extents)
        self._start_address = start_address
        self._notes = notes

    @classmethod
    def from_bytes(cls, address: int, data: bytes, start_address: int | None = None) -> "MemoryImage":
        """Make an image of one region; InputError when it would end above 2**32."""
        between(address, address + len(data))
        store = ByteStore()
        store.append(data)
        return cls(store, (Extent(address, len(data), 0),) if data else (), start_address)

    @classmethod
    def from_intelhex(cls, source: "intelhex.IntelHex") -> "MemoryImage":
        """Take over the data and the entry point of an `intelhex.IntelHex`."""
        store, extents = ByteStore(), []
        for start, end in source.segments():
            extents.append(Extent(*between(start, end), store.size))
            for address in range(start, end, CHUNK):
                store.append(source.tobinstr(start=address, size=min(CHUNK, end - address)))
        if store.size > IMAGE_BYTES or len(extents) > REGIONS:
            raise InputError(
                "this image is larger than imgseal reads",
                expected=f"at most {IMAGE_BYTES} bytes in {REGIONS} regions",
                found=f"{store.size} bytes in {len(extents)}",
                hint="is it a firmware image?",
            )
        entry = source.start_addr or {}
        start_address = entry.get("EIP")
        if start_address is None and "CS" in entry:
            start_address = entry["CS"] * 16 + entry["IP"]
        return cls(store, tuple(extents), start_address)

    def to_intelhex(self) -> "intelhex.IntelHex":
        """Return the image as an `intelhex.IntelHex`, the entry point as EIP; that needs 100 bytes for each byte."""
        import intelhex  # noqa: PLC0415 - 20 ms, only for those who ask

        out = intelhex.IntelHex()
        for region in self._regions:
            for number, piece in enumerate(self.chunks(region)):
                out.frombytes(piece, offset=region.address + number * CHUNK)
        if self._start_address is not None:
            out.start_addr = {"EIP": self._start_address}
        return out

    @property
    def regions(self) -> tuple[Region, ...]:
        """The regions in ascending order."""
        return self._regions

    @property
    def start_address(self) -> int | None:
        """The entry point that the file states, with the Thumb bit as the file has it; None when it states none."""
        return self._start_address

    @property
    def notes(self) -> tuple[str, ...]:
        """Remarks of the reader that refuse nothing."""
        return self._notes

    @property
    def size(self) -> int:
        """Bytes of data, gaps not counted."""
        return sum(region.size for region in self._regions)

    @property
    def lowest(self) -> int:
        """The lowest address that holds data; InputError for an empty image."""
        return self._some()[0].address

    @property
    def end(self) -> int:
        """The address behind the highest byte; InputError for an empty image."""
        return self._some()[-1].end

    def chunks(self, region: Region, size: int = CHUNK) -> Iterator[bytes]:
        """Yield the bytes of one of the regions, or of a part of one, in pieces of at most `size`."""
        for address in range(region.address, region.end, size):
            yield self.read(address, min(size, region.end - address))

    def read(self, address: int, size: int) -> bytes:
        """Return bytes that all lie in one region; InputError names the first address that has no data."""
        parts: list[bytes] = []
        at, end = address, address + size
        index = bisect_right(self._starts, address) - 1
        while at < end and 0 <= index < len(self._extents):
            extent = self._extents[index]
            skip = at - extent.address
            count = min(end - at, extent.size - skip)
            if skip < 0 or count <= 0:
                break
            parts.append(self._store.read(extent.offset + skip, count))
            at += count
            index += 1
        if at < end or size < 0:
            raise InputError(
                "the image has no data there",
                place=Place(address=at),
                expected=f"{size} bytes from 0x{address:08x}",
                found=f"{at - address} bytes",
                hint="look at the image's regions first",
            )
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def filled(self, start: int, end: int, fill: int = 0xFF) -> Iterator[bytes]:
        """Yield all bytes from `start` to `end`, gaps filled, in pieces of at most limits.CHUNK.

        The caller decides on the range: gaps between regions can be gigabytes.
        """
        position = start
        for part in self.crop(start, end).regions:
            yield from _fill(fill, part.address - position)
            yield from self.chunks(part)
            position = part.end
        yield from _fill(fill, end - position)

    def crop(self, start: int, end: int) -> "MemoryImage":
        """Return what lies from `start` to `end`; the bytes are shared. InputError when that is no range."""
        wanted = between(start, end)
        first, last = self._touched(start, end)
        kept = ((extent, overlap(Region(extent.address, extent.size), wanted)) for extent in self._extents[first:last])
        return self._with(tuple(_part(extent, region) for extent, region in kept if region is not None))

    def without(self, start: int, end: int) -> "MemoryImage":
        """Return the image without what lies from `start` to `end`; otherwise as `crop`."""
        unwanted = between(start, end)
        first, last = self._touched(start, end)
        left = tuple(
            _part(extent, region)
            for extent in self._extents[first:last]
            for region in subtract(Region(extent.address, extent.size), unwanted)
        )
        return self._with((*self._extents[:first], *left, *self._extents[last:]))

    def _touched(self, start: int, end: int) -> tuple[int, int]:
        """Return the numbers of the first extent that may lie in a range, and of the first one behind it.

        They are searched for: an image may have as many ranges cut out of it as it has regions.
        """
        return max(0, bisect_right(self._starts, start) - 1), bisect_left(self._starts, end)

    def _some(self) -> tuple[Region, ...]:
        if not self._regions:
            raise InputError("this image holds no data", hint="look at the image's size first")
        return self._regions

    def _with(self, extents: tuple[Extent, ...]) -> "MemoryImage":
        return MemoryImage(self._store, extents, self._start_address, self._notes, self.built_for)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, MemoryImage):
            return NotImplemented
        return (
            self._regions == other._regions
            and self._start_address == other._start_address
            and all(
                mine == theirs
                for region in self._regions
                for mine, theirs in zip(self.chunks(region), other.chunks(region), strict=True)
            )
        )

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        spans = ", ".join(f"0x{r.address:08x}..0x{r.end:08x}" for r in self._regions[:4])
        return f"<MemoryImage {spans}{', ...' if len(self._regions) > 4 else ''}>"


def _joined(extents: tuple[Extent, ...]) -> tuple[Region, ...]:
    regions: list[Region] = []
    for extent in extents:
        if regions and regions[-1].end == extent.address:
            regions[-1] = Region(regions[-1].address, regions[-1].size + extent.size)
        else:
            regions.append(Region(extent.address, extent.size))
    return tuple(regions)


def _part(extent: Extent, region: Region) -> Extent:
    return Extent(region.address, region.size, extent.offset + region.address - extent.address)


def _fill(fill: int, size: int) -> Iterator[bytes]:
    while size > 0:
        yield bytes([fill]) * min(size, CHUNK)
        size -= CHUNK
