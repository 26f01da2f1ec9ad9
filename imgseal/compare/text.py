"""A comparison of two packages as text for people and as JSON values."""

from collections.abc import Iterator

from imgseal.compare.difference import Change, Comparison

NOWHERE = "not in that package"


def comparison_lines(comparison: Comparison) -> Iterator[str]:
    """Yield the lines of a comparison without line ends."""
    yield f"{comparison.old} -> {comparison.new}; nothing is verified here"
    yield from map(change_line, comparison.changes)
    for slot in comparison.slots:
        yield ""
        yield f"{slot.component} in {slot.slot}"
        if slot.left_alone:
            yield "  not in the new package: left alone"
            continue
        if slot.unchanged:
            yield "  the same bytes"
            continue
        yield from map(change_line, slot.changes)
        if slot.same_version:
            yield "  note       another payload under the same version"
        yield f"  {'bytes':<11}{slot.bytes_changed} of {slot.bytes_new} differ"
        yield (
            f"  {'blocks':<11}{slot.blocks_changed} of {slot.blocks_written} that it takes hold other content "
            f"({slot.blocks_in_slot} blocks of {slot.block // 1024} KiB in the slot)"
        )


def change_line(change: Change) -> str:
    """Return the line of one value that differs."""
    return f"  {change.what:<11}{change.old or NOWHERE} -> {change.new or NOWHERE}"


def comparison_document(comparison: Comparison) -> dict[str, object]:
    """Return the values for JSON, format 1; docs/cli.md describes them."""
    return {
        "format": 1,
        "old": comparison.old,
        "new": comparison.new,
        "changes": [change._asdict() for change in comparison.changes],
        "slots": [
            {**slot._asdict(), "unchanged": slot.unchanged, "changes": [change._asdict() for change in slot.changes]}
            for slot in comparison.slots
        ],
    }
