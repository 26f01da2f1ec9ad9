"""The compiled installer at the end of a link: `imgseal/rehearse/link.py` sends, and the C code takes or keeps."""

import ctypes as c
from collections.abc import Callable
from typing import NamedTuple

from c_boot import BYTES, CODE, U32
from c_install import NAMES, InstallLibrary, programs_with_installer
from stages import Pair, files, newer
from test_install_in_c import front
from test_store_in_c import PLACES
from workshop import make

from imgseal.check.context import Context
from imgseal.product.read_toml import read
from imgseal.rehearse.arrival import Arriving, in_pieces, modelled
from imgseal.rehearse.install import DELIVERED, Installer
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.link import Event, Receiver, Sent, Way
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView


class Transfer(NamedTuple):
    """A device, the package that it is to have, and another one, of which a part comes."""

    stage: Stage
    sent: tuple[Sent, Sent]
    fronts: dict[bytes, int]


def transfer(of: Pair, text: str) -> Transfer:
    later = read(
        text,
        name="imgseal.toml",
        overrides={
            k.replace("__", "."): v
            for k, v in {**newer(of.product), "release__sequence": "7", "release__version": "1.2.0"}.items()
        },
    )
    other = ByteView(make(later, files=files(of.product, "three")).package)
    stage = set_up(Context(of.product, of.first.trust, of.state, of.contents), other)
    assert stage.verdict.accepted
    sent = tuple(Sent(s.oracle.promise.target[1], data) for s, data in ((of.stage, of.package), (stage, other)))
    fronts = {each.digest: front(bytes(each.data.read(0, each.data.size))) for each in sent}
    return Transfer(of.stage, (sent[0], sent[1]), fronts)


def with_a_slot(text: str, where: str) -> str:
    return text + f'[slot.package]\n{PLACES[where]}holds = "package"\n'


class TakingInC:
    """Feeds the installer, or keeps the package in its slot where there is one."""

    def __init__(self, library: InstallLibrary, installer: Installer) -> None:
        self.library = library
        self.installer = installer
        self.keep = "keep_" if library.slot is not None else ""
        self.position = 0

    def begin(self) -> tuple[bytes | None, int]:
        if not self.keep:
            return None, 0
        assert self.library.call("shim_keep_begin") == CODE["accepted"]
        self.position = self.library.library.shim_kept()
        self.library.resumed.append(self.position)
        whose = self.library.library.shim_whose() if self.position else None
        return (c.string_at(whose, 32) if whose else None), self.position

    def anew(self, _whose: bytes) -> None:
        self.position = 0
        if self.keep:
            self.library.library.shim_keep_anew()
        else:
            assert self.library.call("shim_begin_install") == CODE["accepted"]

    def take(self, data: bytes) -> str:
        code = self.library.call(f"shim_{self.keep}take", (c.c_uint8 * len(data)).from_buffer_copy(data), len(data))
        self.position += len(data)
        if code == CODE["accepted"]:
            assert self.library.library.shim_position() == self.position
        return NAMES.get(code, hex(code))

    def finish(self) -> str:
        code = self.library.call(f"shim_{self.keep}finish")
        journal = self.installer.journal
        journal.record = self.library.record() if self.library.library.shim_journal(0) else None
        return DELIVERED if code == CODE["accepted"] else NAMES.get(code, hex(code))


class WayLibrary(InstallLibrary):
    def declare(self) -> None:
        super().declare()
        self.library.shim_whose.restype = BYTES
        self.library.shim_position.restype = U32


Play = Callable[[Way], Programs]


def by_c(library: WayLibrary, receiver: type[Receiver] = Receiver) -> Play:
    """Programs in C, for each way anew."""
    return lambda way: in_pieces(
        way, programs_with_installer(library), lambda installer: TakingInC(library, installer), receiver
    )


def by_the_model(of: Transfer, receiver: type[Receiver] = Receiver) -> Play:
    def play(way: Way) -> Programs:
        last: list[Arriving] = []
        taking = modelled(of.stage.facts.product, of.fronts, Programs(), last)
        return in_pieces(way, Programs(), taking, receiver)

    return play


def way_of(of: Transfer, events: tuple[Event, ...], pieces: int = 1000) -> Way:
    return Way(events, of.sent, pieces=pieces)
