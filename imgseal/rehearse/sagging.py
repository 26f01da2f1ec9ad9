"""A supply that falls slowly: operations before a cut are in doubt as well, unless something stops the flash in time.

They were done below the voltage that the flash needs: an erase of these is one that was cut, and what was programmed is
torn, as often as it is read. Common practice, no source.
"""

from collections.abc import Iterator
from contextlib import suppress

from imgseal.formats.install_record.room import copy_layout
from imgseal.product.model import Product
from imgseal.rehearse.contents import Block, Contents
from imgseal.rehearse.explore import Cuts, Explorer, Token, Violation
from imgseal.rehearse.flash import Flash, Operation, PowerCutError, Snapshot
from imgseal.rehearse.life import Moment
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.runs import Run, Walk

_SOME = 500
"""Cuts far from any record and any erase that are played in one run, about."""


def survived(product: Product) -> int:
    """Return how many operations before the cut may be in doubt: one fewer than a copy of a record takes."""
    slot = product.slot_holding("records")
    assert slot is not None
    memory = product.memories[slot.memory]
    check, copy = copy_layout(len(product.components), memory.write_unit)
    return -(-check // memory.page) + -(-(copy - check) // memory.page) - 1


class Sagging(Explorer):
    """Cuts before which the last operations were done below the voltage that they need; `last` None: those survived."""

    last: int | None = None
    merges = False

    def _single_cuts(self) -> list[Cuts]:
        return [(number, stretch) for number, run in enumerate(self._runs) for stretch in self._stretches(run)]

    def _stretches(self, run: Run) -> Iterator[range]:
        """Yield operations to cut: near every record and erase, and some of the others."""
        product, near, count = self._stage.facts.product, self._doubted() + 1, len(run.entries)
        slot = product.slot_holding("records")
        assert slot is not None
        wanted = set(range(0, count, -(-count // _SOME))) if count else set()
        for number, (operation, _) in enumerate(run.entries):
            if not isinstance(operation, Operation) or operation.data is None or (
                operation.memory == slot.memory and slot.at <= operation.at < slot.at + slot.size
            ):  # fmt: skip
                wanted.update(range(number, min(number + near, count)))
        begin = 0
        for number in range(count + 1):
            if number not in wanted:
                if begin < number:
                    yield range(begin, number)
                begin = number + 1

    def _doubted(self) -> int:
        return survived(self._stage.facts.product) if self.last is None else self.last

    def _left(self, run: Run, walk: Walk, number: int) -> Moment:
        doubtful = walk.to(number)._replace(blocks=self._doubtful(run, number))
        return self._torn(doubtful, run.entries[number][0], self._noise(run.scenario, (number,)))

    def _doubtful(self, run: Run, number: int) -> Snapshot:
        facts = self._stage.facts
        first = max(0, number - self._doubted())
        flash = Flash(facts.product, Contents.of(Walk(facts, run).to(first).blocks), Noise("sagging"), facts.worn)
        for operation, _ in run.entries[first:number]:
            if isinstance(operation, Operation):
                _in_doubt(flash, operation) if self._suffers(operation) else flash.again(operation)
        return flash.blocks

    def _suffers(self, _operation: Operation) -> bool:
        """Say whether an operation below the voltage is in doubt."""
        return True

    def replay(self, token: Token) -> tuple[Violation | None, tuple[str, ...]]:
        """Play one run again, as `Explorer.replay`; it has one cut."""
        if not self._runs:
            self._undisturbed()
        healthy, (cut,) = token.scenario.healthy, token.cuts
        run = next(each for each in self._runs if each.scenario.healthy == healthy)
        moment = self._left(run, Walk(self._stage.facts, run), cut)
        life = self._life(moment, token.scenario, token.cuts)
        said = f"power cut in operation {cut}: {run.entries[cut][0]}; {self._doubted()} before it are in doubt"
        try:
            life.run(known=set())
        except ViolationError as error:
            events = (said, *life.device.events)
            return Violation(error.invariant, error.message, events, token), events
        return None, (said, *life.device.events)


def _in_doubt(flash: Flash, operation: Operation) -> None:
    memory = flash.memory(operation.memory)
    if operation.data is None:
        flash.watch = lambda _operation: True
        with suppress(PowerCutError):
            flash.again(operation)
        flash.watch = lambda _operation: False
        return
    flash.again(operation)
    number, start = divmod(operation.at, memory.erase_block)
    old = flash.blocks.get((operation.memory, number))
    if old is not None:
        units = ((1 << len(operation.data) // memory.write_unit) - 1) << start // memory.write_unit
        flash.blocks[operation.memory, number] = Block(old.pages(memory.page), old.done, old.torn | units, old.weak)
