"""What of a package a device has while it comes, as a model, and the programs of a rehearsal that take one in pieces.

docs/format/link.md. A device that feeds its installer has nothing after a reset; one with a slot that holds "package"
has the erase blocks that were complete.
"""

from collections.abc import Callable

from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.rehearse.install import Installer
from imgseal.rehearse.life import RESET, Programs
from imgseal.rehearse.link import ACCEPTED, Receiver, Taking, Way
from imgseal.window import Bytes, ByteView


class Kept(NamedTuple):
    """What a reset leaves of a package: whose it is, and its first bytes, as far as erase blocks were complete."""

    whose: bytes | None = None
    data: bytes = b""


class Arriving:
    """Takes bytes as the compiled code does, and keeps of them what that keeps.

    `fronts` are the bytes in front of the first payload, by manifest digest: what is kept counts once they can be
    judged. `kept` survives a reset, all else does not: make another one from it then.
    """

    def __init__(self, product: Product, fronts: dict[bytes, int], kept: Kept, install: Callable[[Bytes], str]) -> None:
        slot = product.slot_holding("package")
        self._memory = None if slot is None else product.memories[slot.memory]
        self._fronts = fronts
        self._install = install
        self._whose = kept.whose
        self._data = bytearray(kept.data)
        self.kept = kept

    def begin(self) -> tuple[bytes | None, int]:
        """Return whose package is there, and how much of it."""
        return self._whose, len(self._data)

    def anew(self, whose: bytes) -> None:
        """Forget what came; what is kept is erased with the first byte that follows."""
        self._whose = whose
        self._data.clear()

    def take(self, data: bytes) -> str:
        """Take bytes; a package is judged as a whole, when it is complete."""
        self._data += data
        if self._memory is not None:
            self.kept = self._keeps(self._memory.page, self._memory.erase_block)
        return ACCEPTED

    def _keeps(self, page: int, block: int) -> Kept:
        """Return what a reset leaves now: pages are written when they are full, and blocks noted behind the front."""
        assert self._whose is not None
        front = self._fronts[self._whose]
        written = len(self._data) - len(self._data) % page
        length = written - written % block if written >= front else 0
        return Kept(self._whose, bytes(self._data[:length])) if length >= front else Kept()

    def finish(self) -> str:
        """Hand on what came."""
        return self._install(ByteView(bytes(self._data)))


def modelled(
    product: Product, fronts: dict[bytes, int], programs: Programs, last: list[Arriving]
) -> Callable[[Installer], Taking]:
    """Return what takes bytes in the model after each reset; `last` is filled with it, and what it keeps survives."""

    def begin(installer: Installer) -> Arriving:
        def install(data: Bytes) -> str:
            installer.device.source = data
            return programs.installer.install(installer)

        kept = last[-1].kept if last else Kept()
        last[:] = [Arriving(product, fronts, kept, install)]
        return last[-1]

    return begin


def in_pieces(
    way: Way, programs: Programs, taking: Callable[[Installer], Taking], receiver: type[Receiver] = Receiver
) -> Programs:
    """Return programs whose installer is given its package by a link; until it was complete the device has none."""

    class InPieces(programs.installer):  # type: ignore[name-defined,misc]
        def install(self) -> str:
            receives = receiver(taking(self))
            if not way.goes_on(receives):
                return RESET
            if receives.code != ACCEPTED:
                return receives.code
            self.device.source = way.whole
            return receives.taking.finish()

    return programs._replace(installer=InPieces)
