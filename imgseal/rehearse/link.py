"""How a package comes to a device: in pieces of any size, over a link that breaks, to a device that is reset.

docs/format/link.md. What a link does is stated as events; what an application does with the pieces is `Receiver`.
"""

from typing import Protocol

from imgseal.records import NamedTuple
from imgseal.rehearse.noise import Noise
from imgseal.window import Bytes

ON, AGAIN, AHEAD, ASTRAY, LOST = "on", "again", "ahead", "astray", "lost"
"""A piece where the sender believes that the package goes on; one from before that; one from behind that; one from
where the receiver is in whatever package it takes; one that does not arrive, which the sender does not notice."""
BREAKS, OFF = "breaks", "reset"
"""The link breaks, and the sender asks again; the device is reset."""

ACCEPTED, STALLED = "accepted", "stalled"


class Event(NamedTuple):
    """One thing that happens: what, of which package, how many bytes, and by how many they come again or too early."""

    kind: str
    package: int = 0
    length: int = 0
    by: int = 0


class Sent(NamedTuple):
    """A package that is sent, and the digest of its manifest, by which sender and receiver call it."""

    digest: bytes
    data: Bytes


_OFTEN = (ON, ON, ON, ON, ON, ON, AGAIN, AGAIN, AHEAD, ASTRAY, LOST, BREAKS, OFF, OFF)
_SIZES = (1, 40, 400, 1500, 4000)
_MOST = 24


def drawn(seed: str) -> tuple[Event, ...]:
    """Return what a link does by a seed: the package is 0, and every third piece is of another one, 1."""
    noise = Noise(f"{seed} link")
    out = []
    for _ in range(4 + noise.below(_MOST)):
        kind = _OFTEN[noise.below(len(_OFTEN))]
        if kind in (BREAKS, OFF):
            out.append(Event(kind))
            continue
        length, by = (1 + noise.below(_SIZES[noise.below(len(_SIZES))]) for _ in range(2))
        package = int(kind == ASTRAY or noise.below(3) == 0)
        out.append(Event(kind, package, length, by if kind in (AGAIN, AHEAD) else 0))
    return tuple(out)


class Taking(Protocol):
    """What takes the bytes on the device: an installer that is fed, or one that keeps them first."""

    def begin(self) -> tuple[bytes | None, int]:
        """After a reset: return whose package is there in part, if any, and how much of it."""

    def anew(self, whose: bytes) -> None:
        """A package comes from its start."""

    def take(self, data: bytes) -> str:
        """Take the bytes that come next; return ACCEPTED, or the code for which the package is refused."""

    def finish(self) -> str:
        """Install the package, which is complete; return what the installer says."""


class Receiver:
    """What an application does that follows the guide, from one reset to the next."""

    def __init__(self, taking: Taking) -> None:
        self.taking = taking
        self.whose, self.position = taking.begin()
        self.from_kept = self.position > 0
        self.code = ACCEPTED

    def asked(self, whose: bytes) -> int:
        """Say where a package goes on."""
        return self.position if whose == self.whose else 0

    def comes(self, whose: bytes, at: int, data: bytes) -> None:
        """Take a piece where it goes on, or where another package begins; let any other piece go."""
        if whose != self.whose and at == 0:
            self.taking.anew(whose)
            self.whose, self.position, self.from_kept, self.code = whose, 0, False, ACCEPTED
        if self.fits(whose, at):
            self.code = self.taking.take(data)
            self.position += len(data)
            if self.code != ACCEPTED:
                self.refused()

    def fits(self, whose: bytes, at: int) -> bool:
        """Say whether a piece is the one that comes next."""
        return (whose, at) == (self.whose, self.position)

    def refused(self) -> None:
        """Ask for the start; what was kept may be at fault, and then the package is not refused yet."""
        if self.from_kept:
            self.code = ACCEPTED
        self.whose, self.position, self.from_kept = None, 0, False


class Way:
    """A package on its way to one device, as far as it has come; resets do not change what was sent.

    `complete` tells that the device has had the whole package once: from then on it comes undisturbed, as often as the
    device takes one. `noted` is what the receiver had after each event. Of another package the last byte never comes.
    """

    def __init__(self, events: tuple[Event, ...], sent: tuple[Sent, Sent], *, pieces: int = 4096) -> None:
        self.complete = False
        self.noted: list[tuple[bytes | None, int]] = []
        self._events = iter(events)
        self._sent = sent
        self._pieces = pieces
        self.whole = sent[0].data

    def goes_on(self, receiver: Receiver) -> bool:
        """Let pieces come until the package is there or refused; False where the device is reset before."""
        believed: dict[int, int] = {}
        for event in () if self.complete else self._events:
            if event.kind == OFF:
                return False
            if event.kind == BREAKS:
                believed.clear()
            else:
                self._send(event, believed, receiver)
            self.noted.append((receiver.whose, receiver.position))
            if self._there(receiver):
                return True
        self._rest(receiver)
        self.complete = True
        return True

    def _send(self, event: Event, believed: dict[int, int], receiver: Receiver) -> None:
        sent = self._sent[event.package]
        goes_on = believed.setdefault(event.package, receiver.asked(sent.digest))
        at = {AGAIN: goes_on - event.by, AHEAD: goes_on + event.by, ASTRAY: receiver.position}.get(event.kind, goes_on)
        at = max(0, at)
        last = sent.data.size - (event.package != 0)
        length = min(event.length, last - at)
        if length <= 0:
            return
        if event.kind in (ON, LOST):
            believed[event.package] = at + length
        if event.kind != LOST:
            receiver.comes(sent.digest, at, bytes(sent.data.read(at, length)))

    def _there(self, receiver: Receiver) -> bool:
        whole = self._sent[0]
        self.complete = self.complete or receiver.asked(whole.digest) == whole.data.size
        return self.complete

    def _rest(self, receiver: Receiver) -> None:
        """Send the package to its end, from where the receiver says."""
        whole = self._sent[0]
        for _ in range(4 + 2 * whole.data.size // self._pieces):
            at = receiver.asked(whole.digest)
            length = min(self._pieces, whole.data.size - at)
            if length <= 0:
                return
            receiver.comes(whole.digest, at, bytes(whole.data.read(at, length)))
            if receiver.code != ACCEPTED:
                return
        receiver.code = STALLED
