"""Faults that flash of the plain model forgives: each shows only where flash, counters or supply behave worse.

Each is a mistake that real update code makes; common practice, no source.
"""

from collections.abc import Callable
from typing import NamedTuple

import pytest
from stages import on_units, text_of

from imgseal.formats.install_record.record import Record, encode
from imgseal.formats.install_record.room import COPIES
from imgseal.product.model import Memory
from imgseal.rehearse import boot, install
from imgseal.rehearse.contents import Key
from imgseal.rehearse.device import Device
from imgseal.rehearse.flash import Flash
from imgseal.rehearse.journal import Journal, NoPlaceError, _trust
from imgseal.rehearse.life import Programs
from imgseal.rehearse.settle import settle
from imgseal.rehearse.slots import Slots


class AllCopiesInOneCall(Journal):
    """Units are programmed in order, so a copy that reads stands for those before it, also inside one call."""

    def _write(self, place: int, record: Record) -> bool:
        data = encode(record, self._components)
        copy = data[: self._content].ljust(self._check, b"\xff") + data[self._content :]
        self._program(self._base + place * self._size, copy.ljust(self._copy_size, b"\xff") * COPIES)
        return all(self._holds(place, number, data) for number in range(COPIES))


class MarksInThePage(Journal):
    """A record that is acted upon gets a mark behind it, in a page that was programmed before."""

    def commit(self, record: Record) -> Record:
        out = super().commit(record)
        assert self._place is not None
        end = self._base + (self._place + 1) * self._size
        self._program(end - self._memory.write_unit, bytes(self._memory.write_unit))
        return out


class DiesOfAFault(Journal):
    """A fault while reading a record is nobody's business."""

    def _read(self, place: int, copy: int) -> Record | None:
        data = self._bytes(place, copy)
        return super()._read(place, copy) if data.strip(b"\xff") else None


class TwoCopiesAreEnough(AllCopiesInOneCall):
    """Only one copy can be torn by a cut, so a record of which two read is acted upon at once."""

    def open(self) -> Record | None:
        found = self._scan()
        newest = max(found, key=_trust, default=None)
        if newest is None or newest.copies < 2:
            return super().open()
        self.record, self._place = newest.record, newest.place
        return self.record

    def _write(self, place: int, record: Record) -> bool:
        """Another operation comes before the record, and one between it and the erase of the record before."""
        self._spare(place)
        out = super()._write(place, record)
        self._spare(place)
        return out

    def _spare(self, place: int) -> None:
        for spare in range(self._places) if self._tidy else ():
            if spare not in (place, self._place):
                self._erase(spare)


class TrustsWhatItWrote(Journal):
    """The old record is erased without a look at the new one."""

    def _holds(self, place: int, copy: int, data: bytes) -> bool:
        return True


PIECES = Slots._pieces


def magic_over_blank(slots: Slots, memory: Memory, pieces: tuple[bytes, ...], first: int) -> list[tuple[int, bytes]]:
    """The first page is programmed as a whole, the unit with the magic left blank, and the magic over it in the end."""
    out = PIECES(slots, memory, pieces, first)
    if not first or out[0][0] != first:
        return out
    return [(0, bytes([memory.fill]) * first + out[0][1]), *out[1:]]


ALL_PIECES = Flash.pieces_erased


def skips_blank_pieces(flash: Flash, key: Key) -> tuple[int, ...]:
    """The smaller blocks of a block are erased, but those that read blank; the first one always is."""
    part = flash.memory(key[0])
    size = part.erase_block // part.pieces
    return tuple(
        piece
        for piece in ALL_PIECES(flash, key)
        if not piece or flash.read(key[0], key[1] * part.erase_block + piece * size, size).count(part.fill) != size
    )


def fills_with_ones(slots: Slots, memory: Memory, pieces: tuple[bytes, ...], first: int) -> list[tuple[int, bytes]]:
    """The last write unit is filled up with 0xFF, whatever the memory erases to."""
    return PIECES(slots, memory._replace(erased=0xFF), pieces, first)


def resets_for_ever(device: Device, journal: Journal, record: Record) -> Record:
    """A set whose counters cannot be raised does not settle, and does not start."""
    after = settle(device, journal, record)
    if after.unraised:
        raise NoPlaceError
    return after


def _settling(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(boot, "settle", resets_for_ever)
    patch.setattr(install, "settle", resets_for_ever)


def _nothing(_patch: pytest.MonkeyPatch) -> None:
    pass


class Fault(NamedTuple):
    """What is planted in which product; `also` are behaviours that do the same harm and more."""

    programs: Programs
    text: str
    plant: Callable[[pytest.MonkeyPatch], None] = _nothing
    also: frozenset[str] = frozenset({"together"})
    pairs: int | None = 0


TWO, KEPT = text_of("two run slots"), text_of("staged inside, kept")
PLAIN = on_units("two run slots", 1).replace("program_once = true\n", "")

FAULTS = {
    "parallel-units": Fault(
        Programs(journal=TwoCopiesAreEnough), TWO, also=frozenset({"together", "page-corrupted"}), pairs=None
    ),
    "page-corrupted": Fault(Programs(journal=MarksInThePage), TWO),
    "ecc-faults": Fault(Programs(journal=DiesOfAFault), PLAIN),
    "second-program-faults": Fault(
        Programs(), PLAIN, lambda patch: patch.setattr(Slots, "_pieces", magic_over_blank)
    ),
    "uneven-blocks": Fault(
        Programs(), KEPT, lambda patch: patch.setattr(Flash, "pieces_erased", skips_blank_pieces)
    ),
    "erased-zero": Fault(
        Programs(), TWO, lambda patch: patch.setattr(Slots, "_pieces", fills_with_ones), frozenset()
    ),
    "worn-place": Fault(Programs(journal=TrustsWhatItWrote), TWO, also=frozenset()),
    "full-counters": Fault(Programs(), TWO, _settling, frozenset()),
    "sagging-supply": Fault(Programs(journal=AllCopiesInOneCall), TWO, also=frozenset()),
}  # fmt: skip
"""Behaviour -> the fault that it finds, and no other does."""
