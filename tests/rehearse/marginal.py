"""A supply that falls slowly, and the records alone: how many operations before the cut may be in doubt.

`python tests/rehearse/marginal.py` prints up to how many of them the install record survives.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from stages import pair_of, text_of

from imgseal.rehearse.explore import Cuts, Violation
from imgseal.rehearse.flash import Operation
from imgseal.rehearse.life import Programs
from imgseal.rehearse.sagging import Sagging


class Marginal(Sagging):
    """Of the operations before the cut those on the records slot are in doubt alone."""

    every = 1

    def _single_cuts(self) -> list[Cuts]:
        return [(number, range(0, len(run.entries), self.every)) for number, run in enumerate(self._runs)]

    def _suffers(self, operation: Operation) -> bool:
        slot = self._stage.facts.product.slot_holding("records")
        assert slot is not None
        return operation.memory == slot.memory and slot.at <= operation.at < slot.at + slot.size


def survives(last: int, seed: str, *, every: int = 1) -> Violation | None:
    """Rehearse an update with pages of 256 bytes; return what is violated after so many doubtful operations."""
    update = pair_of(text_of("two run slots").replace("page = 2048", "page = 256"))
    stage = update.stage
    explorer = Marginal(stage, update.package, seed, Programs())
    explorer.last, explorer.every = last, every
    return explorer.explore(0)


def main() -> None:
    for last in (0, 2, 4, 5, 6, 7, 8, 9, 10, 16, 40):
        found = [survives(last, str(seed)) for seed in range(3)]
        broken = [f"{each.invariant}: {each.message}" for each in found if each is not None]
        print(f"{last:>3} operations before the cut in doubt: {broken[0] if broken else 'every invariant holds'}")


if __name__ == "__main__":
    main()
