"""The compiled installer beside the compiled boot code: packages come to it in pieces, or lie in storage.

A package is streamed first, as an application would; one that the installer wants to have in storage is kept there, and
the boot code reads it from there as well.
"""

import ctypes as c
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from c_boot import BYTES, CODE, READ, U8, U32, Library, Reader, programs_in_c
from c_build import SOURCES

from imgseal.formats.install_record.record import TRIAL, Record
from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Product
from imgseal.rehearse.boot import Started
from imgseal.rehearse.install import DELIVERED, NOTHING_TO_DO
from imgseal.rehearse.life import Programs

NAMES = {value: name for name, value in CODE.items()}
BESIDE = ("seal_package.c", "seal_install.c", "seal_show.c", "seal_store.c")


class Shown(c.Structure):
    """What seal_show says."""

    _fields_ = (
        *((name, U8) for name in ("phase", "trial", "starts_left", "power_ons_left", "unraised", "refused")),
        *((name, U32) for name in ("sequence", "target_sequence")),
        *((name, U8 * 32) for name in ("manifest_digest", "target_digest", "last_refused")),
    )


class ShownImage(c.Structure):
    _fields_ = (("version", U32 * 4), ("counter", U32), ("entry", U32))


def expected_show(of: Product, record: Record | None) -> tuple[object, ...]:
    """The same from a record that Python has read."""
    if record is None:
        return (0,) * 8 + (bytes(32),) * 3
    left = 0, 0
    if record.phase == TRIAL:
        left = (of.rules.trial_attempts - record.attempts, of.rules.trial_power_ons - record.power_ons)
    last = record.refused[-1] if record.refused else bytes(32)
    return (
        record.phase, int(record.phase == TRIAL), *left, int(record.unraised), len(record.refused), record.sequence,
        record.target_sequence, record.manifest_digest or bytes(32), record.target_digest or bytes(32), last,
    )  # fmt: skip


class InstallLibrary(Library):
    """Boot code, reader of packages and installer of one product."""

    beside: tuple[str, ...] = BESIDE

    def __init__(
        self, of: Product, folder: Path, sources: Path = SOURCES, flags: tuple[str, ...] = ("-O2",), pieces: Iterable[int] = (4096,),
        trust: Trust | None = None,
    ) -> None:  # fmt: skip
        super().__init__(of, folder, sources, flags, shim="install_shim.c", beside=self.beside, trust=trust)
        self.pieces = tuple(pieces)
        self.in_storage = False
        self.slot = of.slot_holding("package")
        self.resumed: list[int] = []
        self._stored = READ(self._read_stored)

    def declare(self) -> None:
        super().declare()
        for name in (
            "shim_begin_install",
            "shim_take",
            "shim_finish",
            "shim_store",
            "shim_stored",
            "shim_show_image",
            "shim_show_refusal",
            "shim_keep",
            "shim_keep_begin",
            "shim_kept",
            "shim_keep_take",
            "shim_keep_finish",
        ):
            getattr(self.library, name).restype = U32
        self.library.shim_take.argtypes = self.library.shim_keep_take.argtypes = (BYTES, U32)

    def begin(self, device: Any) -> None:
        super().begin(device)
        facts = device.facts
        self.library.shim_install(
            0xFFFFFFFF if facts.state.battery_mwh is None else facts.state.battery_mwh, int(facts.state.authorised)
        )
        self.keep(device)

    def keep(self, device: Any) -> None:
        """Whether the package lies in storage, for the boot code as well."""
        if self.slot is not None:
            self.library.shim_keep()
        elif device.source is not None and self.in_storage:
            self.library.shim_store(c.byref(Reader(self._stored, None, device.source.size)))

    def _read_stored(self, _user: int, at: int, to: Any, length: int) -> int:
        c.memmove(to, bytes(self.device.source.read(at, length)), length)
        return CODE["read"]

    def install(self, device: Any) -> int:
        if self.slot is not None:
            return self.through_the_slot(device)
        if not self.in_storage:
            code = self.stream(device)
            if code != CODE["device.not-stored"]:
                return code
            self.in_storage = True
            self.keep(device)
        return self.call("shim_stored")

    def stream(self, device: Any) -> int:
        code = self.call("shim_begin_install")
        return self.send(device, 0, "shim_take") if code == CODE["accepted"] else code

    def through_the_slot(self, device: Any) -> int:
        """Keep the package in its slot, and go on where that had come to."""
        code = self.call("shim_keep_begin")
        if code != CODE["accepted"]:
            return code
        self.resumed.append(self.library.shim_kept())
        return self.send(device, self.resumed[-1], "shim_keep_take")

    def send(self, device: Any, at: int, take: str) -> int:
        for piece in self.pieces_of(device, at):
            code = self.call(take, (c.c_uint8 * len(piece)).from_buffer_copy(piece), len(piece))
            if code != CODE["accepted"]:
                return code
        return self.call({"shim_take": "shim_finish", "shim_keep_take": "shim_keep_finish"}[take])

    def show(self) -> tuple[object, ...]:
        shown = Shown()
        self.library.shim_show(c.byref(shown))
        values = [getattr(shown, field[0]) for field in Shown._fields_]
        return tuple(value if isinstance(value, int) else bytes(value) for value in values)

    def show_image(self, index: int, run_slot: int) -> tuple[int, tuple[int, ...], int, int]:
        shown = ShownImage()
        code = self.call("shim_show_image", index, run_slot, c.byref(shown))
        return code, tuple(shown.version), shown.counter, shown.entry

    def pieces_of(self, device: Any, at: int) -> Iterator[bytes]:
        index, source = 0, device.source
        while at < source.size:
            size = min(self.pieces[index % len(self.pieces)], source.size - at)
            yield bytes(source.read(at, size))
            at, index = at + size, index + 1


def programs_with_installer(library: InstallLibrary) -> Programs:
    """The programs of a rehearsal, all of them in C."""
    programs = programs_in_c(library)

    class WholeInC(programs.installer):  # type: ignore[name-defined,misc]
        def install(self) -> str:
            if self.device.source is None:
                return NOTHING_TO_DO
            code = library.install(self.device)
            self.journal.record = library.record() if library.library.shim_journal(0) else None
            if code == CODE["accepted"]:
                self.device.say("install: delivered")
                return DELIVERED
            self.device.say(f"install: {NAMES.get(code, hex(code))}")
            return NAMES.get(code, hex(code))

    class Shows(programs.bootloader):  # type: ignore[name-defined,misc]
        def boot(self, *, power_on: bool) -> Started:
            started: Started = super().boot(power_on=power_on)
            assert library.show() == expected_show(library.of, self.journal.record)
            for number, member in started.members.items():
                self.shows(number, member.slot)
            return started

        def shows(self, number: int, slot: int) -> None:
            header = self.device.slots.run_header(self.device.by_number[number], slot)
            assert header is not None
            said = header.statement
            entry = said.link_address + said.entry_offset
            shown = library.show_image(library.of.numbers.index(number), slot)
            assert shown == (CODE["read"], said.version.words(), said.counter, entry)

    return programs._replace(installer=WholeInC, bootloader=Shows)
