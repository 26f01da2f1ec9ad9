"""What the exploration of every sequence of power cuts says, as text and as JSON values."""

from collections.abc import Iterator

from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.rehearse.contents import Contents
from imgseal.rehearse.flash import Flash
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import INVARIANTS
from imgseal.rehearse.sequence import token_of
from imgseal.rehearse.states import Found, Reached
from imgseal.rehearse.text import NOTHING_TO_PLAY

AS_IT_IS = 1
"""Where any number of cuts is played with what the journal promises, so many are played with the journal as it is."""

IN_A_ROW = {3: 4, 4: 6}
"""Places of the records slot -> cuts in a row in which the journal keeps its record; docs/format/install-record.md."""


class Explored(NamedTuple):
    """How far one kind of set was explored; `again` is what broke when its violation was played again.

    `journal` is how far it was with the journal as it is, where `reached` takes it for what it promises.
    """

    healthy: bool
    reached: Reached
    journal: Reached | None = None
    again: str | None = None
    events: tuple[str, ...] = ()

    @property
    def idle(self) -> bool:
        """Whether nothing was written, so that there was nothing to cut: the device has this release."""
        return self.reached.closed and self.reached.found is None and not self.reached.steps

    @property
    def found(self) -> Found | None:
        """The invariant that broke."""
        return self.reached.found or (self.journal and self.journal.found)

    @property
    def words(self) -> str:
        """Say what the exploration has shown, and nothing more."""
        reached = self.reached
        if self.found is not None:
            cuts = self.found.cuts
            again = "and it was replayed" if self.again == self.found.invariant else "AND IT WAS NOT SEEN AGAIN"
            return f"the shortest sequence that breaks an invariant has {_cuts(cuts)}, {again}"
        if self.idle:
            return NOTHING_TO_PLAY
        if reached.closed:
            return (
                f"closed: no sequence of power cuts, however long, breaks an invariant while the journal keeps its "
                f"record, {reached.states} states, {reached.steps} steps"
            )
        if reached.cuts < 0:
            return f"not closed after {reached.states} states: not even the undisturbed run was played to its end"
        return f"not closed after {reached.states} states: every sequence of up to {_cuts(reached.cuts)} was played"


def _cuts(count: int) -> str:
    return f"{count} cut" if count == 1 else f"{count} cuts"


def journal_keeps(product: Product) -> tuple[int, int]:
    """Return the places of a product's records slot, and the cuts in a row in which its journal keeps its record.

    That was searched for three and four places; for more it says what holds for four.
    """
    places = Journal(Flash(product, Contents(), Noise("")), product).places
    return places, IN_A_ROW[min(places, max(IN_A_ROW))]


def was_answered(explored: tuple[Explored, ...], cuts: int | None) -> bool:
    """Say whether all that was to be played was played, and nothing broke; what had nothing to play was not.

    `cuts` is how many in a row were asked for, None for any number.
    """

    def was(each: Explored) -> bool:
        if each.idle or each.found is not None:
            return False
        if cuts is None:
            return each.reached.closed and each.journal is not None and each.journal.cuts >= AS_IT_IS
        return each.reached.closed or each.reached.cuts >= cuts

    return all(map(was, explored))


def cuts_lines(
    explored: tuple[Explored, ...], package: str, device: str, keeps: tuple[int, int], *, changing: bool
) -> Iterator[str]:
    """Yield the lines of an exploration without line ends; `keeps` is what `journal_keeps` says."""
    yield f"{package} on {device}"
    yield f"  flash      what is torn reads {_reads(changing=changing)}; docs/format/flash-model.md"
    yield "  journal    keeps its record in {1} cuts in a row, with {0} places; docs/format/install-record.md".format(
        *keeps
    )
    for each in explored:
        reached = each.reached
        yield f"  {'healthy' if each.healthy else 'failing'} set  {each.words}"
        yield (
            f"             {reached.sessions} lives from a reset to the next, {reached.steps} operations cut; "
            f"states by the cuts that they take: {', '.join(map(str, reached.levels))}"
        )
        if reached.phases:
            phases = (f"{phase.name} {phase.states}" for phase in reached.phases)
            yield f"             states by phase: {', '.join(phases)}"
        if reached.rests:
            yield f"             at rest with {'; '.join(f'{what}: {count}' for what, count in reached.rests)}"
        if each.journal is not None:
            yield f"             with the journal as it is every sequence of up to {_cuts(max(each.journal.cuts, 0))}"
    for each in explored:
        found = each.found
        if found is not None:
            yield f"  BROKEN     {found.invariant}: {found.message}"
            yield f"             it says: {INVARIANTS[found.invariant]}"
            yield from (f"             {event}" for event in each.events)
            yield f"             again: imgseal rehearse ... --replay {token_of(found)}"


def _reads(*, changing: bool) -> str:
    return "alike from a reset to the next, but for one change" if changing else "alike from a reset to the next"


def cuts_document(
    explored: tuple[Explored, ...], package: str, device: str, keeps: tuple[int, int], *, changing: bool, holds: bool
) -> dict[str, object]:
    """Return the values for JSON, format 1; docs/format/cuts.schema.json describes them."""
    return {
        "format": 1,
        "package": package,
        "device": device,
        "reads": "changing" if changing else "fixed",
        "journal": dict(zip(("places", "in_a_row"), keeps, strict=True)),
        "holds": holds,
        "broken": any(each.found is not None for each in explored),
        "invariants": dict(INVARIANTS),
        "explored": [_document(each) for each in explored],
    }


def _document(each: Explored) -> dict[str, object]:
    reached, found, journal = each.reached, each.found, each.journal
    return {
        "set": "healthy" if each.healthy else "failing",
        "says": each.words,
        "closed": reached.closed,
        "cuts": max(reached.cuts, 0),
        "states": reached.states,
        "levels": list(reached.levels),
        "lives": reached.sessions,
        "steps": reached.steps,
        "rests": dict(reached.rests),
        "phases": [phase._asdict() for phase in reached.phases],
        "ways": [way._asdict() for way in reached.ways],
        "held": dict(reached.held),
        "journal": None
        if journal is None
        else {"cuts": max(journal.cuts, 0), "states": journal.states, "lives": journal.sessions},
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
