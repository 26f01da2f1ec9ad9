"""A rehearsal as text for people and as JSON values."""

from collections.abc import Iterator

from imgseal.rehearse.estimate import Estimate, Making, MemoryUse
from imgseal.rehearse.explore import Violation
from imgseal.rehearse.oracle import INVARIANTS
from imgseal.rehearse.play import Rehearsal

NOTHING_TO_PLAY = "nothing to play: the device has this release; name one before it with --previous or --device"


def rehearsal_lines(rehearsal: Rehearsal, package: str, device: str) -> Iterator[str]:
    """Yield the lines of a rehearsal without line ends."""
    yield f"{package} on {device}"
    yield from (f"  {event}" for event in rehearsal.events)
    if not rehearsal.played and rehearsal.violation is None:
        yield f"  {NOTHING_TO_PLAY}"
        return
    if not rehearsal.had_set:
        yield "  way back   none: there was no set before"
    elif not rehearsal.changes:
        offered = "a trial is offered" if rehearsal.way_back else "no trial is offered"
        yield f"  way back   not needed, the set that runs stays as it is: {offered}"
    elif rehearsal.way_back:
        yield "  way back   every component that changes has one: a trial is offered"
    else:
        yield "  way back   none: something that changes has no second run slot and no keep slot; no trial is offered"
    if rehearsal.estimate is not None:
        yield from _estimate(rehearsal.estimate)
    tally = rehearsal.tally
    runs = ", ".join(f"{count} ({name.split('-')[0]} set)" for name, count in tally.operations.items())
    yield f"  operations {runs}"
    yield (
        f"  cuts       {tally.singles} lives after one cut, at every operation, with the package kept and lost; "
        f"{tally.pairs} after two"
    )
    if rehearsal.violation is None:
        yield f"  all {len(INVARIANTS)} invariants hold: {', '.join(INVARIANTS)}"
    else:
        yield from violation_lines(rehearsal.violation)


def _estimate(took: Estimate) -> Iterator[str]:
    yield from (f"  {use.memory:<10} {_use(use)}" for use in took.memories)
    if took.seconds is not None and took.down_seconds is not None:
        yield f"  time       {span(took.seconds)} in all, {span(took.down_seconds)} without a running product"
    yield from _making(took.making)
    for boot in took.boots or ():
        choices = ", ".join(f"{choice} {seconds:.2f} s" for choice, seconds in boot.by_choice.items())
        first = "" if boot.first == boot.seconds else f"; {boot.first:.2f} s at the first boot of a set"
        yield f"  boot       {boot.component}: {boot.seconds:.2f} s, judged at {boot.judged} ({choices}){first}"
    yield from (f"  caution    {warning}" for warning in took.warnings)


def _making(making: Making) -> Iterator[str]:
    if making.images:
        many = "one image is" if making.images == 1 else f"{making.images} images are"
        how_long = "not counted: bootloader.hash_rate says how fast this device hashes"
        if making.seconds is not None:
            how_long = f"{making.seconds:.1f} s of it at most, where the application hashes as fast as the bootloader"
        yield f"  making     {many} made on the device: {how_long}"


def _use(use: MemoryUse) -> str:
    text = f"{use.erases} erases (no block more than {use.most}), {use.bytes_written} bytes written"
    if use.seconds is not None:
        text += f", {span(use.seconds)}"
    if use.updates is not None:
        text += f"; enough for {use.updates} such updates"
    return text


def span(seconds: tuple[float, float] | None) -> str:
    """Return words for the least and the most that something takes; none where it is not known."""
    return "" if seconds is None else f"{seconds[0]:.1f} to {seconds[1]:.1f} s"


def violation_lines(violation: Violation, options: str = "") -> Iterator[str]:
    """Yield the lines of a violation; `options` are those that its run needs beside the token."""
    yield f"  BROKEN     {violation.invariant}: {violation.message}"
    yield f"             it says: {INVARIANTS[violation.invariant]}"
    yield from (f"             {event}" for event in violation.events)
    yield f"             again: imgseal rehearse ... {options}--replay {violation.token}"


def rehearsal_document(rehearsal: Rehearsal, package: str, device: str) -> dict[str, object]:
    """Return the values for JSON, format 1; docs/cli.md describes them."""
    violation, took, tally = rehearsal.violation, rehearsal.estimate, rehearsal.tally
    return {
        "format": 1,
        "package": package,
        "device": device,
        "holds": rehearsal.holds,
        "way_back": rehearsal.way_back,
        "events": list(rehearsal.events),
        "seed": rehearsal.seed,
        "operations": dict(tally.operations),
        "cuts": {"single": tally.singles, "double": tally.pairs, "joined": tally.joined, "states": tally.states},
        "invariants": dict(INVARIANTS),
        "violation": None if violation is None else violation_document(violation),
        "estimate": None if took is None else _estimate_document(took),
    }


def violation_document(violation: Violation) -> dict[str, object]:
    """Return the values of a violation for JSON."""
    return {**violation._asdict(), "events": list(violation.events), "token": str(violation.token)}


def _estimate_document(took: Estimate) -> dict[str, object]:
    return {
        **took._asdict(),
        "memories": [use._asdict() for use in took.memories],
        "making": took.making._asdict(),
        "boots": None if took.boots is None else [boot._asdict() for boot in took.boots],
        "warnings": list(took.warnings),
    }
