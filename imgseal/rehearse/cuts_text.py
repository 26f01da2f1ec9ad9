"""What the exploration of every sequence of power cuts says, as text and as JSON values."""

from collections.abc import Iterator

from imgseal.records import NamedTuple
from imgseal.rehearse.oracle import INVARIANTS
from imgseal.rehearse.sequence import token_of
from imgseal.rehearse.states import Reached
from imgseal.rehearse.text import NOTHING_TO_PLAY


class Explored(NamedTuple):
    """How far one kind of set was explored; `again` is what broke when its violation was played again."""

    healthy: bool
    reached: Reached
    again: str | None = None
    events: tuple[str, ...] = ()

    @property
    def idle(self) -> bool:
        """Whether nothing was written, so that there was nothing to cut: the device has this release."""
        return self.reached.closed and self.reached.found is None and not self.reached.steps

    @property
    def words(self) -> str:
        """Say what the exploration has shown, and nothing more."""
        reached = self.reached
        if reached.found is not None:
            cuts = reached.found.cuts
            again = "and it was replayed" if self.again == reached.found.invariant else "AND IT WAS NOT SEEN AGAIN"
            return f"the shortest sequence that breaks an invariant has {_cuts(cuts)}, {again}"
        if self.idle:
            return NOTHING_TO_PLAY
        if reached.closed:
            return (
                f"closed: no sequence of power cuts, however long, breaks an invariant, {reached.states} states, "
                f"{reached.steps} steps"
            )
        if reached.cuts < 0:
            return f"not closed after {reached.states} states: not even the undisturbed run was played to its end"
        return f"not closed after {reached.states} states: every sequence of up to {_cuts(reached.cuts)} was played"


def _cuts(count: int) -> str:
    return f"{count} cut" if count == 1 else f"{count} cuts"


def cuts_lines(explored: tuple[Explored, ...], package: str, device: str, *, changing: bool) -> Iterator[str]:
    """Yield the lines of an exploration without line ends."""
    yield f"{package} on {device}"
    yield f"  flash      what is torn reads {_reads(changing=changing)}; docs/format/flash-model.md"
    for each in explored:
        reached = each.reached
        yield f"  {'healthy' if each.healthy else 'failing'} set  {each.words}"
        yield (
            f"             {reached.sessions} lives from a reset to the next, {reached.steps} operations cut; "
            f"states by the cuts that they take: {', '.join(map(str, reached.levels))}"
        )
    for each in explored:
        found = each.reached.found
        if found is not None:
            yield f"  BROKEN     {found.invariant}: {found.message}"
            yield f"             it says: {INVARIANTS[found.invariant]}"
            yield from (f"             {event}" for event in each.events)
            yield f"             again: imgseal rehearse ... --replay {token_of(found)}"


def _reads(*, changing: bool) -> str:
    return "alike from a reset to the next, but for one change" if changing else "alike from a reset to the next"


def cuts_document(
    explored: tuple[Explored, ...], package: str, device: str, *, changing: bool, holds: bool
) -> dict[str, object]:
    """Return the values for JSON, format 1; docs/format/cuts.schema.json describes them."""
    return {
        "format": 1,
        "package": package,
        "device": device,
        "reads": "changing" if changing else "fixed",
        "holds": holds,
        "broken": any(each.reached.found is not None for each in explored),
        "invariants": dict(INVARIANTS),
        "explored": [_document(each) for each in explored],
    }


def _document(each: Explored) -> dict[str, object]:
    reached, found = each.reached, each.reached.found
    return {
        "set": "healthy" if each.healthy else "failing",
        "says": each.words,
        "closed": reached.closed,
        "cuts": max(reached.cuts, 0),
        "states": reached.states,
        "levels": list(reached.levels),
        "lives": reached.sessions,
        "steps": reached.steps,
        "violation": None
        if found is None
        else {
            "invariant": found.invariant,
            "message": found.message,
            "cuts": found.cuts,
            "replayed": each.again == found.invariant,
            "events": list(each.events),
            "token": token_of(found),
        },
    }
