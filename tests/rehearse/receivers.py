"""Applications that do one thing wrong with the pieces of a package."""

from imgseal.rehearse.link import Receiver


class Twice(Receiver):
    """A piece that came before is appended."""

    def fits(self, whose: bytes, at: int) -> bool:
        return whose == self.whose and at <= self.position


class OutOfOrder(Receiver):
    """A piece is taken though one before it is missing."""

    def fits(self, whose: bytes, at: int) -> bool:
        return whose == self.whose and at >= self.position


class Mixing(Receiver):
    """A piece of another package goes on the first one's."""

    def fits(self, whose: bytes, at: int) -> bool:
        return at == self.position


class Whichever(Receiver):
    """What is kept is taken for the start of whatever package comes after a reset."""

    def comes(self, whose: bytes, at: int, data: bytes) -> None:
        if self.from_kept:
            self.whose = whose
        super().comes(whose, at, data)

    def asked(self, whose: bytes) -> int:
        return self.position if self.from_kept else super().asked(whose)


class Stubborn(Receiver):
    """A package is refused for what was kept of it."""

    def refused(self) -> None:
        self.from_kept = False
        super().refused()


RECEIVERS = (Twice, OutOfOrder, Mixing, Whichever, Stubborn)
AFTER_A_RESET = (Whichever, Stubborn)
"""Those that show only where something is kept over a reset."""
