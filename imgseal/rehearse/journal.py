"""Where install records are written and which one counts; docs/format/install-record.md, "The journal".

The rules, and why each is there, stand in that page. In short: a place holds one record in three copies. A record is
acted upon only when all three read the same and no other place shows any; else it is first copied to another place.
Before a device changes anything after a reset, every place but the one acted upon is erased, because a record that was
torn may read as whole later. A new record goes to an erased place, is read back there, and the old one is erased after
it; a place that does not hold what was written is passed over.
"""

from collections.abc import Collection
from functools import lru_cache

from imgseal.formats.install_record.record import Record, decode, encode
from imgseal.formats.install_record.room import CHECK_BYTES, COPIES, copy_layout, place_bytes, record_bytes
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.rehearse.flash import Flash, FlashReadError


class NoPlaceError(Exception):
    """No place takes the record; the one before still stands, and the device resets."""


class _Found(NamedTuple):
    """A record as a scan found it: its place, and how many of the copies read as it."""

    place: int
    copies: int
    record: Record


_decode = lru_cache(maxsize=4096)(decode)  # a rehearsal reads the same few records a million times


def _trust(found: _Found) -> tuple[int, bool, int]:
    """Order records: the newest, then a complete one; of several complete ones the later copy, else the original."""
    complete = found.copies == COPIES
    return found.record.generation, complete, found.record.copied if complete else -found.record.copied


class Journal:
    """The records slot as one program sees it between its start and the next reset."""

    def __init__(self, flash: Flash, product: Product) -> None:
        slot = product.slot_holding("records")
        assert slot is not None
        memory = product.memories[slot.memory]
        self._flash = flash
        self._memory = memory
        self._components = product.numbers
        self._base = slot.at
        self._size = place_bytes(len(self._components), memory.erase_block, memory.write_unit)
        self._check, self._copy_size = copy_layout(len(self._components), memory.write_unit)
        self._content = record_bytes(len(self._components)) - CHECK_BYTES
        self._places = slot.size // self._size
        self._tidy = False
        self._place: int | None = None
        self.record: Record | None = None

    @property
    def tidied(self) -> bool:
        """Whether every other place is known to be erased."""
        return self._tidy

    @property
    def place(self) -> int | None:
        """Where the record acted upon lies."""
        return self._place

    @property
    def places(self) -> int:
        """How many places the records slot has."""
        return self._places

    @property
    def place_blocks(self) -> int:
        """Erase blocks of a place."""
        return self._size // self._memory.erase_block

    @property
    def copy_bytes(self) -> int:
        """How far one copy lies behind the one before."""
        return self._copy_size

    def copies(self, place: int) -> list[Record | None]:
        """Read each copy of a place."""
        return [self._read(place, index) for index in range(COPIES)]

    def open(self) -> Record | None:
        """Find the record that counts, and make it safe to act upon; None when there is none at all."""
        found = self._scan()
        if not found:
            return None
        newest = max(found, key=_trust)
        self.record, self._place = newest.record, newest.place
        if newest.copies < COPIES or len(found) > 1:
            self._copy(newest, found)
        return self.record

    def tidy(self) -> None:
        """Erase every place but the one acted upon; the first thing that a program does before it changes anything."""
        if not self._tidy:
            for place in range(self._places):
                if place != self._place:
                    self._erase(place)
            self._tidy = True

    def commit(self, record: Record) -> Record:
        """Write a record in the place of the one acted upon; when this returns it, as it was written, it is the one."""
        self.tidy()
        before = self.record
        generation = 1 if before is None else before.generation + 1
        base = 0 if before is None else before.generation
        old = self._place
        if not self._store(record._replace(generation=generation, base=base, copied=0), []):
            raise NoPlaceError
        if old is not None:
            self._erase(old)
        assert self.record is not None
        return self.record

    def _store(self, record: Record, found: list[_Found], left_out: Collection[int] = ()) -> bool:
        """Write a record to another place that holds it afterwards, and act upon it; say whether one does."""
        for place in self._by_worth(found):
            if place in left_out:
                continue
            if not self._tidy:
                self._erase(place)
            if self._write(place, record):
                self.record, self._place = record, place
                return True
            self._erase(place)
        return False

    def _by_worth(self, found: list[_Found]) -> list[int]:
        """Return the other places, that first of which least may be lost: the fewest copies, then what counts least.

        Of those that show none the first one behind that of the record acted upon, of equal ones the last.
        """
        own = self._places - 1 if self._place is None else self._place  # the first record of all goes to the first
        behind = [number % self._places for number in range(own + 1, own + self._places)]
        shown = {each.place: each for each in found}
        blank = [place for place in behind if place not in shown]
        return blank + sorted(
            (place for place in reversed(behind) if place in shown),
            key=lambda place: (shown[place].copies, _trust(shown[place])),
        )

    def _copy(self, newest: _Found, found: list[_Found]) -> None:
        """Copy a record that may be torn; nothing else is touched before that is done."""
        whole = [each.place for each in found if each.copies == COPIES]
        sure = newest.copies == COPIES
        copy = newest.record._replace(copied=newest.record.copied + 1)
        if not self._store(copy, found, () if sure else whole) and not sure:
            if whole:
                self._erase(newest.place)  # it was never finished, and nobody has acted upon it
            raise NoPlaceError
        self.tidy()

    def _scan(self) -> list[_Found]:
        """Read every place once and decide from that copy."""
        out = []
        for place in range(self._places):
            records = [record for record in self.copies(place) if record is not None]
            if records:
                newest = max(records, key=lambda record: record.generation)
                out.append(_Found(place, records.count(newest), newest))
        return out

    def _read(self, place: int, copy: int) -> Record | None:
        try:
            return _decode(self._bytes(place, copy), self._components)
        except FlashReadError:
            return None

    def _bytes(self, place: int, copy: int) -> bytes:
        at, read, memory = self._base + place * self._size + copy * self._copy_size, self._flash.read, self._memory.name
        return read(memory, at, self._content) + read(memory, at + self._check, CHECK_BYTES)

    def _erase(self, place: int) -> None:
        start = self._base + place * self._size
        for at in range(start, start + self._size, self._memory.erase_block):
            self._flash.erase(self._memory.name, at)

    def _write(self, place: int, record: Record) -> bool:
        """Write the copies one after the other, the check of each last; say whether the place holds them."""
        data = encode(record, self._components)
        for copy in range(COPIES):
            start = self._base + place * self._size + copy * self._copy_size
            self._program(start, data[: self._content].ljust(self._check, b"\xff"))
            self._program(start + self._check, data[self._content :].ljust(self._copy_size - self._check, b"\xff"))
            if not self._holds(place, copy, data):
                return False
        return True

    def _holds(self, place: int, copy: int, data: bytes) -> bool:
        """Read back what was written."""
        try:
            return self._bytes(place, copy) == data
        except FlashReadError:
            return False

    def _program(self, at: int, data: bytes) -> None:
        self._flash.program_pages(self._memory.name, at, data)
