"""The way from the set before to the new one, as an exploration has seen it: for people, who think in phases."""

from collections import Counter

from imgseal.formats.install_record.record import (
    DELIVERING,
    RETURNING,
    SETTLED,
    SETTLING,
    SWITCHING,
    TRIAL,
    UNPROVEN,
    Record,
)
from imgseal.records import NamedTuple
from imgseal.rehearse.oracle import Promise

BEFORE, NEW = "set before", "new set"
_NAMES = {
    DELIVERING: "delivering",
    SWITCHING: "switching",
    TRIAL: "trial",
    UNPROVEN: "unproven",
    SETTLING: "settling",
    RETURNING: "going back",
}
ORDER = (BEFORE, *list(_NAMES.values())[:-1], NEW, _NAMES[RETURNING])
"""As devices pass them; going back is beside the others."""


class Phase(NamedTuple):
    """One phase: how many states were told apart there, and how many operations were cut."""

    name: str
    states: int
    cuts: int


class Way(NamedTuple):
    """How often a life came from one phase to another: because the power failed, or by itself."""

    start: str
    end: str
    cut: bool
    times: int


def phase_of(record: Record, promise: Promise) -> str:
    """Return the name of the phase that a record is in."""
    if record.phase == SETTLED:
        return NEW if (record.sequence, record.manifest_digest) == promise.target else BEFORE
    return _NAMES[record.phase]


class Passed:
    """Counts what an exploration passes; phases by name."""

    def __init__(self) -> None:
        self.states: Counter[str] = Counter()
        self.cuts: Counter[str] = Counter()
        self.ways: Counter[tuple[str, str, bool]] = Counter()

    @property
    def phases(self) -> tuple[Phase, ...]:
        """The phases that were passed."""
        return tuple(Phase(name, self.states[name], self.cuts[name]) for name in ORDER if self.states[name])

    @property
    def all_ways(self) -> tuple[Way, ...]:
        """The ways between phases, and those that a cut leads back into the same one."""
        at = ORDER.index
        ways = sorted(self.ways.items(), key=lambda way: (at(way[0][0]), at(way[0][1]), way[0][2]))
        return tuple(Way(start, end, cut, times) for (start, end, cut), times in ways if cut or start != end)
