"""Data in any order: pages of 4 KiB in the store, and for each page a number with one bit for each byte that is set.

Shuffled records of 16 bytes cost an eighth of the data for the bits, until a page is full and shares one number with
all full pages. The bytes themselves lie in the store and nowhere else.
"""

from collections.abc import Iterator

from imgseal.formats.memory.store import ByteStore, Extent
from imgseal.limits import IMAGE_BYTES

PAGE = 4096
_FULL = (1 << PAGE) - 1
_MOST = IMAGE_BYTES // PAGE


class ScatteredError(Exception):
    """More pages than the largest image has: a few bytes in each of many places, in no order."""


class Pages:
    """The pages touched so far."""

    __slots__ = ("_masks", "_offsets", "_store")

    def __init__(self, store: ByteStore) -> None:
        self._store = store
        self._offsets: dict[int, int] = {}
        self._masks: dict[int, int] = {}

    def put(self, address: int, data: bytes) -> Iterator[tuple[int, bytes, bytes]]:
        """Set bytes where none are; yield (address, byte there, new byte or bytes) for those that are set already.

        The pieces yielded are equally long; nothing that is set is changed. Raises ScatteredError.
        """
        done, size = 0, len(data)
        while done < size:
            number, at = divmod(address + done, PAGE)
            count = min(PAGE - at, size - done)
            piece = data if count == size else data[done : done + count]
            offset = self._offsets.get(number)
            wanted = ((1 << count) - 1) << at
            if offset is None:
                offset, mask = self._new(number), 0
            else:
                mask = self._masks[number]
            if mask & wanted:
                yield from self._put_between(number, at, piece)
            else:
                self._store.write(offset + at, piece)
            mask |= wanted
            self._masks[number] = _FULL if mask == _FULL else mask
            done += count

    def _new(self, number: int) -> int:
        if len(self._offsets) >= _MOST:
            raise ScatteredError
        offset = self._offsets[number] = self._store.append(bytes(PAGE))
        return offset

    def _put_between(self, number: int, at: int, piece: bytes) -> Iterator[tuple[int, bytes, bytes]]:
        offset, mask = self._offsets[number], self._masks[number] >> at
        start = 0
        while start < len(piece):
            is_set = mask >> start & 1
            rest = ~(mask >> start) if is_set else mask >> start
            run = (rest & -rest).bit_length() - 1 if rest else PAGE
            part = piece[start : start + run]
            if is_set:
                yield number * PAGE + at + start, self._store.read(offset + at + start, len(part)), part
            else:
                self._store.write(offset + at + start, part)
            start += len(part)

    def extents(self) -> Iterator[Extent]:
        """Yield the runs of bytes that are set, in ascending order."""
        for number in sorted(self._masks):
            base, offset, mask = number * PAGE, self._offsets[number], self._masks[number]
            at = 0
            while mask:
                skip = (mask & -mask).bit_length() - 1
                mask >>= skip
                at += skip
                run = (~mask & (mask + 1)).bit_length() - 1
                yield Extent(base + at, run, offset + at)
                mask >>= run
                at += run
