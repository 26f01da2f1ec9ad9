"""The compiled installer beside the compiled boot code: packages come to it in pieces, or lie in storage.

A package is streamed first, as an application would; one that the installer wants to have in storage is kept there, and
the boot code reads it from there as well.
"""

import ctypes as c
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from c_boot import BYTES, CODE, READ, U32, Library, Reader, programs_in_c
from c_build import SOURCES

from imgseal.product.model import Product
from imgseal.rehearse.install import DELIVERED, NOTHING_TO_DO
from imgseal.rehearse.life import Programs

NAMES = {value: name for name, value in CODE.items()}
BESIDE = ("seal_package.c", "seal_install.c")


class InstallLibrary(Library):
    """Boot code, reader of packages and installer of one product."""

    def __init__(
        self, of: Product, folder: Path, sources: Path = SOURCES, flags: tuple[str, ...] = ("-O2",), pieces: Iterable[int] = (4096,)
    ) -> None:  # fmt: skip
        super().__init__(of, folder, sources, flags, shim="install_shim.c", beside=BESIDE)
        self.pieces = tuple(pieces)
        self.in_storage = False
        self._stored = READ(self._read_stored)

    def declare(self) -> None:
        super().declare()
        for name in ("shim_begin_install", "shim_take", "shim_finish", "shim_store", "shim_stored", "shim_position"):
            getattr(self.library, name).restype = U32
        self.library.shim_take.argtypes = (BYTES, U32)

    def begin(self, device: Any) -> None:
        super().begin(device)
        facts = device.facts
        self.library.shim_install(0xFFFFFFFF if facts.battery_mwh is None else facts.battery_mwh, int(facts.authorised))
        self.keep(device)

    def keep(self, device: Any) -> None:
        """Whether the package lies in storage, for the boot code as well."""
        if device.source is not None and self.in_storage:
            self.library.shim_store(c.byref(Reader(self._stored, None, device.source.size)))

    def _read_stored(self, _user: int, at: int, to: Any, length: int) -> int:
        c.memmove(to, bytes(self.device.source.read(at, length)), length)
        return CODE["read"]

    def install(self, device: Any) -> int:
        if not self.in_storage:
            code = self.stream(device)
            if code != CODE["device.not-stored"]:
                return code
            self.in_storage = True
            self.keep(device)
        return self.call("shim_stored")

    def stream(self, device: Any) -> int:
        code = self.call("shim_begin_install")
        for piece in self.pieces_of(device):
            code = self.call("shim_take", (c.c_uint8 * len(piece)).from_buffer_copy(piece), len(piece))
            if code != CODE["accepted"]:
                return code
        return self.call("shim_finish")

    def pieces_of(self, device: Any) -> Iterator[bytes]:
        at, index, source = 0, 0, device.source
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

    return programs._replace(installer=WholeInC)
