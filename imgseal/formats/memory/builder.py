"""Builds an image from pieces in any order, within bounds of memory.

Every byte goes to the store at once and is never moved. Ascending pieces grow the last extent, or start one. A piece
that steps back becomes an extent of its own; a file that does this all the time is shuffled, and from then on pages
take what comes.
"""

from bisect import bisect_right

from imgseal.errors import InputError, Place
from imgseal.formats.memory.image import BuiltFor, MemoryImage
from imgseal.formats.memory.pages import Pages, ScatteredError
from imgseal.formats.memory.spans import ADDRESS_END
from imgseal.formats.memory.store import ByteStore, Extent
from imgseal.limits import IMAGE_BYTES, REGIONS

_STEPS_BACK = 4096
"""Extents out of order before pages are used; real files that are joined from several have a few."""


class ImageBuilder:
    """Takes pieces of data; `name` is the file that errors name.

    The store starts empty and belongs to the image afterwards.
    """

    __slots__ = (
        "_agreed",
        "_first_agreed",
        "_last",
        "_name",
        "_offsets",
        "_pages",
        "_size",
        "_sizes",
        "_starts",
        "_steps",
        "_store",
        "_top",
    )

    def __init__(self, store: ByteStore | None = None, name: str | None = None) -> None:
        self._store = store or ByteStore()
        self._name = name
        self._starts: list[int] = []
        self._sizes: list[int] = []
        self._offsets: list[int] = []
        self._last = -1  # the extent that ends where the store ends
        self._top = 0  # behind the highest byte of the extents
        self._steps = 0
        self._pages: Pages | None = None
        self._size = 0
        self._agreed = 0
        self._first_agreed = Place()

    def add(self, address: int, data: bytes, line: int | None = None, bytes_per_line: int = 0) -> None:
        """Add a piece. `line` is where it stands in the file; a piece of many lines has `bytes_per_line` on each.

        Raises InputError when data would lie above 2**32, when it contradicts data that is there, or past a limit.
        """
        size = len(data)
        if not size:
            return
        if not 0 <= address <= ADDRESS_END - size:
            raise InputError(
                "data goes on past the end of the 32-bit address space",
                place=Place(file=self._name, line=line, address=address),
                expected="an end of at most 0x100000000",
                found=f"0x{address + size:x}",
                hint="an address in this file is damaged, or the address given for the file is wrong",
            )
        if address >= self._top:
            self._put(address, data, line, bytes_per_line)
            return
        # what the extents have is compared; what is left between them is new
        end, at = address + size, address
        index = max(0, bisect_right(self._starts, address) - 1)
        old = []
        while index < len(self._starts) and self._starts[index] < end:
            start = max(at, self._starts[index])
            stop = min(end, self._starts[index] + self._sizes[index])
            if start < stop:
                old.append((at, start))
                stored = self._store.read(self._offsets[index] + start - self._starts[index], stop - start)
                self._agree(start, stored, data[start - address : stop - address], address, line, bytes_per_line)
                at = stop
            index += 1
        for start, stop in (*old, (at, end)):
            if start < stop:
                self._put(start, data[start - address : stop - address], line, bytes_per_line, address)

    def finish(
        self,
        *,
        start_address: int | None = None,
        notes: tuple[str, ...] = (),
        built_for: BuiltFor | None = None,
    ) -> MemoryImage:
        """Return the image; the builder is used up. InputError when there are too many regions."""
        extents = [Extent(*each) for each in zip(self._starts, self._sizes, self._offsets, strict=True)]
        if self._pages is not None:
            extents += self._pages.extents()
            extents.sort()
        if self._agreed:
            where = self._first_agreed
            line = "" if where.line is None else f" in line {where.line}"
            notes += (
                f"{self._agreed} bytes are given again with the same value, first at 0x{where.address:08x}{line}",
            )
        image = MemoryImage(self._store, tuple(extents), start_address, notes, built_for)
        if len(image.regions) > REGIONS:
            raise self._too_many(None)
        return image

    def _put(self, address: int, data: bytes, line: int | None, bytes_per_line: int, first: int | None = None) -> None:
        """Take bytes that no extent has; `first` is the address of the piece that they are a part of."""
        if self._pages is not None:
            agreed = self._agreed
            try:
                for at, old, new in self._pages.put(address, data):
                    self._agree(at, old, new, address if first is None else first, line, bytes_per_line)
            except ScatteredError:
                raise self._too_many(line) from None
            self._count(len(data) - (self._agreed - agreed), line)
            return
        self._count(len(data), line)
        offset = self._store.append(data)
        last = self._last
        if last >= 0 and address == self._starts[last] + self._sizes[last]:
            self._sizes[last] += len(data)
        elif address >= self._top and len(self._starts) >= REGIONS:
            raise self._too_many(line)
        else:
            self._last = index = bisect_right(self._starts, address)
            self._starts.insert(index, address)
            self._sizes.insert(index, len(data))
            self._offsets.insert(index, offset)
            self._steps += address < self._top
            if self._steps >= _STEPS_BACK:
                self._pages = Pages(self._store)
        self._top = max(self._top, address + len(data))

    def _agree(self, address: int, old: bytes, new: bytes, first: int, line: int | None, bytes_per_line: int) -> None:
        index = 0 if old == new else next(i for i, (a, b) in enumerate(zip(old, new, strict=True)) if a != b)
        if line is not None and bytes_per_line:
            line += (address + index - first) // bytes_per_line
        place = Place(file=self._name, line=line, address=address + index)
        if old != new:
            raise InputError(
                "the file gives one address two different values",
                place=place,
                expected=f"0x{old[index]:02x}, as before",
                found=f"0x{new[index]:02x}",
                hint="two files may have been joined that overlap; link them apart, or give one of them",
            )
        if not self._agreed:
            self._first_agreed = place
        self._agreed += len(new)

    def _count(self, size: int, line: int | None) -> None:
        self._size += size
        if self._size > IMAGE_BYTES:
            raise InputError(
                "this image is larger than imgseal reads",
                place=Place(file=self._name, line=line),
                expected=f"at most {IMAGE_BYTES} bytes of data",
                found="more",
                hint="is it the right file? split it into components if it is",
            )

    def _too_many(self, line: int | None) -> InputError:
        return InputError(
            "this image falls into more separate regions than any firmware",
            place=Place(file=self._name, line=line),
            expected=f"at most {REGIONS} regions",
            found="more",
            hint="is it a firmware file?",
        )
