"""How much there is to play, and how long it may take: said before it is begun. Estimates, from what was measured."""

from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.records import NamedTuple
from imgseal.rehearse.flash import Operation
from imgseal.rehearse.life import Stage
from imgseal.rehearse.runs import Run
from imgseal.window import Bytes

_LIFE = 60
"""What following a life costs, in operations of an undisturbed run; one that is known already costs one of them."""

_PROCESS = 40 << 20
_OTHER_PROCESS = 10 << 20
_PER_OPERATION = 400
_UNSHARED = 0.3
"""Memory of a process and of further ones, of an operation, and the part of what is held that each has for itself."""


class Forecast(NamedTuple):
    """Lives after one cut, how many of them are likely to be played, and what was measured so far.

    `operations` were done in the undisturbed runs, `held` are the bytes that are kept.
    """

    lives: int
    played: int
    operations: int
    held: int

    def seconds(self, measured: float, jobs: int) -> float:
        """Return how long it may take when the undisturbed runs took `measured` seconds."""
        return measured / max(self.operations, 1) * (self.lives + _LIFE * self.played) / jobs

    def memory(self, jobs: int) -> int:
        """Return the bytes that all processes may need, what they share counted once."""
        others = jobs * (_OTHER_PROCESS + _UNSHARED * self.held) if jobs > 1 else 0
        return int(_PROCESS + self.held + others)


def forecast(stage: Stage, package: Bytes, runs: list[Run]) -> Forecast:
    """Foresee the single cuts: what each boot reads may read otherwise after a cut, what lies elsewhere is erased."""
    product = stage.facts.product
    looked_at: dict[str, list[tuple[int, int]]] = {}
    for slot in product.slots.values():
        whole = slot.holds in ("records", "boot-mark")
        size = slot.size if whole else min(slot.size, HEADER_BLOCK_MAX)
        looked_at.setdefault(slot.memory, []).append((slot.at, slot.at + size))
    near = counts = 0
    for run in runs:
        counts += len(run.entries)
        for operation, _ in run.entries:
            if isinstance(operation, Operation):
                near += any(start <= operation.at < end for start, end in looked_at[operation.memory])
            else:
                near += 1
    there = sum(product.memories[memory].erase_block for memory, _ in stage.moment.blocks)
    held = 8 * there + 3 * package.size + _PER_OPERATION * counts
    return Forecast(2 * counts, 2 * near, counts, held)
