"""Builds an image from pieces in any order, within bounds of memory.

Ascending pieces, the common case, go straight to the store. With the first piece that steps back, what is there is moved
into pages of 4 KiB with a bit for each byte that is set: shuffled records of 16 bytes then cost an eighth more than the data.
"""

from imgseal.errors import InputError, Place
from imgseal.limits import CHUNK, IMAGE_BYTES, REGIONS
from imgseal.memory.image import ADDRESS_END, Extent, MemoryImage
from imgseal.memory.store import ByteStore, MemoryStore

__all__ = ["ImageBuilder"]

_PAGE = 4096
_FULL = (1 << _PAGE) - 1


class _Pages:
    """A store that is addressed by memory address; bytes that were never set read as zero."""

    __slots__ = ("masks", "pages")

    def __init__(self) -> None:
        self.pages: dict[int, bytearray] = {}
        self.masks: dict[int, int] = {}

    def append(self, data: bytes) -> int:
        raise NotImplementedError

    def read(self, offset: int, size: int) -> bytes:
        parts, end = [], offset + size
        while offset < end:
            page, at = divmod(offset, _PAGE)
            count = min(_PAGE - at, end - offset)
            parts.append(bytes(self.pages[page][at : at + count]))
            offset += count
        return b"".join(parts)


class ImageBuilder:
    """Takes pieces of data; `name` is the file that errors name."""

    __slots__ = ("_agreeing", "_end", "_extents", "_first_agreeing", "_name", "_pages", "_size", "_store")

    def __init__(self, store: ByteStore | None = None, name: str | None = None) -> None:
        self._store: ByteStore = store or MemoryStore()
        self._name = name
        self._extents: list[list[int]] = []
        self._end = 0
        self._size = 0
        self._pages: _Pages | None = None
        self._agreeing = 0
        self._first_agreeing = 0

    def add(self, address: int, data: bytes, line: int | None = None, bytes_per_line: int = 0) -> None:
        """Add a piece. `line` is where it stands in the file; a piece of many lines has `bytes_per_line` on each.

        Raises InputError when data would lie above 2**32, when it contradicts data that is there, or past a limit.
        """
        if not data:
            return
        if address + len(data) > ADDRESS_END:
            raise InputError(
                "data goes on past the end of the 32-bit address space",
                place=Place(file=self._name, line=line, address=address),
                expected="an end of at most 0x100000000",
                found=f"0x{address + len(data):x}",
                hint="the record's address or the extended address before it is damaged",
            )
        if self._pages is None:
            if address >= self._end:
                self._append(address, data, line)
                return
            self._turn_to_pages()
        self._set(address, data, line, bytes_per_line)

    def finish(self, *, start_address: int | None = None, notes: tuple[str, ...] = ()) -> MemoryImage:
        """Return the image; the builder is used up."""
        if self._agreeing:
            notes += (
                f"{self._agreeing} bytes are given twice with the same value, first at 0x{self._first_agreeing:08x}",
            )
        if self._pages is None:
            extents = tuple(Extent(address, size, offset) for address, size, offset in self._extents)
            return MemoryImage(self._store, extents, start_address, notes)
        return MemoryImage(self._pages, self._page_extents(), start_address, notes)

    def _append(self, address: int, data: bytes, line: int | None) -> None:
        self._count(len(data), line)
        offset = self._store.append(data)
        if self._extents and address == self._end:
            self._extents[-1][1] += len(data)
        else:
            if len(self._extents) >= REGIONS:
                raise self._too_many(line)
            self._extents.append([address, len(data), offset])
        self._end = address + len(data)

    def _count(self, size: int, line: int | None) -> None:
        self._size += size
        if self._size > IMAGE_BYTES:
            raise InputError(
                "this image is larger than imgseal reads",
                place=Place(file=self._name, line=line),
                expected=f"at most {IMAGE_BYTES} bytes of data",
                found="more",
            )

    def _too_many(self, line: int | None) -> InputError:
        return InputError(
            "this image falls into more separate regions than any firmware",
            place=Place(file=self._name, line=line),
            expected=f"at most {REGIONS} regions",
            found="more",
        )

    def _turn_to_pages(self) -> None:
        self._pages = _Pages()
        self._size = 0
        for address, size, offset in self._extents:
            for done in range(0, size, CHUNK):
                self._set(address + done, self._store.read(offset + done, min(CHUNK, size - done)), None, 0)
        self._store = self._pages

    def _set(self, address: int, data: bytes, line: int | None, bytes_per_line: int) -> None:
        assert self._pages is not None
        pages, masks = self._pages.pages, self._pages.masks
        done, size = 0, len(data)
        while done < size:
            number, at = divmod(address + done, _PAGE)
            count = min(_PAGE - at, size - done)
            piece = data[done : done + count]
            mask = masks.get(number)
            wanted = ((1 << count) - 1) << at
            if mask is None:
                if len(pages) >= IMAGE_BYTES // _PAGE:
                    raise self._too_many(line)
                pages[number] = bytearray(_PAGE)
                mask = 0
            if mask & wanted:
                self._compare(number, at, piece, mask, line, done, bytes_per_line)
                self._size -= (mask & wanted).bit_count()
            pages[number][at : at + count] = piece
            masks[number] = mask | wanted
            self._count(count, line)
            done += count

    def _compare(
        self, number: int, at: int, piece: bytes, mask: int, line: int | None, done: int, bytes_per_line: int
    ) -> None:
        assert self._pages is not None
        page = self._pages.pages[number]
        for index, byte in enumerate(piece):
            if not mask >> (at + index) & 1:
                continue
            address = number * _PAGE + at + index
            if page[at + index] != byte:
                if line is not None and bytes_per_line:
                    line += (done + index) // bytes_per_line
                raise InputError(
                    "the file gives one address two different values",
                    place=Place(file=self._name, line=line, address=address),
                    expected=f"0x{page[at + index]:02x}, as before",
                    found=f"0x{byte:02x}",
                    hint="two files may have been joined; link them together instead",
                )
            if not self._agreeing:
                self._first_agreeing = address
            self._agreeing += 1

    def _page_extents(self) -> tuple[Extent, ...]:
        assert self._pages is not None
        spans: list[list[int]] = []
        for number in sorted(self._pages.masks):
            mask, base = self._pages.masks[number], number * _PAGE
            position = 0
            while mask:
                skip = (mask & -mask).bit_length() - 1
                mask >>= skip
                position += skip
                inverted = ~mask & (_FULL << 1 | 1)
                run = (inverted & -inverted).bit_length() - 1
                start = base + position
                if spans and spans[-1][1] == start:
                    spans[-1][1] = start + run
                else:
                    if len(spans) >= REGIONS:
                        raise self._too_many(None)
                    spans.append([start, start + run])
                mask >>= run
                position += run
        return tuple(Extent(start, end - start, start) for start, end in spans)
