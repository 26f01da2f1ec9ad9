"""A supply that falls slowly: not only the operation that was cut is in doubt, but those before it as well.

`python tests/rehearse/marginal.py` prints up to how many of them the install record survives.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import contextlib

from stages import pair_of, text_of

from imgseal.rehearse.contents import Block
from imgseal.rehearse.explore import Cuts, Explorer, Violation
from imgseal.rehearse.flash import Flash, Operation, PowerCutError, Snapshot
from imgseal.rehearse.life import Moment, Programs
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.runs import Run, Walk


class Marginal(Explorer):
    """Cuts before which the last operations on the records slot were done below the voltage that they need.

    An erase of these is one that was cut short, and what was programmed is torn; all of it as often as it is read.
    """

    last = 0
    every = 1

    merges = False

    def _single_cuts(self) -> list[Cuts]:
        return [(number, range(0, len(run.entries), self.every)) for number, run in enumerate(self._runs)]

    def _left(self, run: Run, walk: Walk, number: int) -> Moment:
        doubtful = walk.to(number)._replace(blocks=self._doubtful(run, number))
        return self._torn(doubtful, run.entries[number][0], self._noise(run.scenario, (number,)))

    def _doubtful(self, run: Run, number: int) -> Snapshot:
        product = self._stage.facts.product
        slot = product.slot_holding("records")
        assert slot is not None
        first = max(0, number - self.last)
        flash = Flash(product, dict(Walk(self._stage.facts, run).to(first).blocks), Noise("marginal"))
        for operation, _ in run.entries[first:number]:
            if not isinstance(operation, Operation):
                continue
            mine = operation.memory == slot.memory and slot.at <= operation.at < slot.at + slot.size
            if operation.data is None:
                flash.watch = _cut if mine else _whole
                with contextlib.suppress(PowerCutError):
                    flash.erase(operation.memory, operation.at)
                continue
            flash.watch = _whole
            flash.program(operation.memory, operation.at, operation.data)
            if mine:
                memory = product.memories[operation.memory]
                key, start = (operation.memory, operation.at // memory.erase_block), operation.at % memory.erase_block
                old = flash.blocks[key]
                units = ((1 << len(operation.data) // memory.write_unit) - 1) << start // memory.write_unit
                flash.blocks[key] = Block(old.data, old.done, old.torn | units, old.weak)
        return flash.blocks


def _cut(_operation: Operation) -> bool:
    return True


def _whole(_operation: Operation) -> bool:
    return False


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
