"""Who can take a release, as lines for people and as JSON values; docs/format/paths.schema.json is the contract."""

from collections.abc import Iterator
from typing import Any

from imgseal.errors import visible
from imgseal.paths.history import Release
from imgseal.paths.survey import Cost, Row, Survey
from imgseal.paths.ways import ANSWERS, BEHIND, OPEN, THROUGH
from imgseal.rehearse.text import rehearsal_document, span
from imgseal.workspace.verdict_json import finding_values

Json = dict[str, Any]


def survey_lines(survey: Survey) -> Iterator[str]:
    """Yield the lines for people: a group for each channel and variant, a line for each release and answer."""
    return map(visible, _lines(survey))


def _lines(survey: Survey) -> Iterator[str]:
    yield f"who can take {survey.package}"
    group: tuple[str, str] | None = None
    for row in survey.rows:
        mine = row.release.channel, row.release.package.variant
        if mine != group:
            group = mine
            words = [f"{what} {name}" for what, name in zip(("channel", "variant"), mine, strict=True) if name]
            if words:
                yield f"  {', '.join(words)}"
        cost = "" if row.cost is None else f": {cost_words(row.cost)}"
        yield f"  {_name(row.release):<24}{answer_words(row)}{cost}"
        yield from (f"    {'why':<10}{each}" for each in why_words(row))
        yield from (f"    {'open':<10}{each}" for each in row.answer.notes)
        if row.cost is not None:
            for name, played in row.cost.rehearsals:
                yield f"    {'rehearsed':<10}{name}: {_played(played)}"
    for why in dict.fromkeys(row.cost.unknown for row in survey.rows if row.cost is not None and row.cost.unknown):
        yield f"  erases and seconds are not known: {why}"
    for release in survey.left_out:
        yield f"  {_name(release):<24}withdrawn: left out"
    behind = left_behind(survey)
    if not survey.rows:
        yield "  the log has no release for this class and variant: nobody is in the field"
    elif behind:
        yield f"  left behind: devices of {', '.join(dict.fromkeys(str(row.release.version) for row in behind))}"
    else:
        yield "  nobody is left behind"


def left_behind(survey: Survey) -> list[Row]:
    """Return the rows of devices that have no way to the release, or none that is known."""
    return [row for row in survey.rows if row.answer.word in BEHIND]


def broken(survey: Survey) -> list[Row]:
    """Return the rows in whose rehearsal an invariant does not hold, or that could not be rehearsed."""
    return [
        row
        for row in survey.rows
        if row.cost is not None
        and (not row.cost.rehearsals or any(played.violation is not None for _, played in row.cost.rehearsals))
    ]


def _name(release: Release) -> str:
    return f"{release.version} (sequence {release.sequence})"


def answer_words(row: Row) -> str:
    """Say what the devices of a row make of the release, and which devices where they are not all of a release."""
    words = ANSWERS[row.answer.word]
    if row.answer.word in (THROUGH, OPEN):
        words += f": {', '.join(str(each.version) for each in row.answer.through)}"
    return words if row.whole else f"{words} [{which(row)}]"


def which(row: Row) -> str:
    """Say which devices of a release a row is about: what they run, and since when they are in the field."""
    runs = sorted({image.slot for device in row.devices for _, image in device.images})
    since = sorted({number for device in row.devices for number in device.since})
    words = f"running {', '.join(runs)}"
    return (
        f"{words}; made as in {'entry' if len(since) == 1 else 'entries'} {', '.join(map(str, since))}"
        if since
        else words
    )


def why_words(row: Row) -> Iterator[str]:
    """Yield why devices do not take the release at once."""
    for word, finding in row.answer.why:
        if finding is None:
            yield word
            continue
        found = f"expected {finding.expected}, found {finding.found}" if finding.expected and finding.found else ""
        yield f"{word}: {finding.message}{f' ({found})' if found else ''}"


def cost_words(cost: Cost) -> str:
    """Say what a way costs."""
    words = [f"{cost.size} bytes"]
    words += [] if cost.erases is None else [f"{cost.erases} erases"]
    words += [] if cost.seconds is None else [span(cost.seconds)]
    return ", ".join(words)


def _played(played: Any) -> str:
    if played.violation is not None:
        return f"BROKEN {played.violation.invariant}: {played.violation.message}"
    return f"every invariant holds in {played.tally.singles} lives after one cut, {played.tally.pairs} after two"


def survey_document(survey: Survey, tool: str) -> Json:
    """Return the values for JSON, format 1."""
    return {
        "format": 1,
        "imgseal": tool,
        "package": survey.package,
        "releases": [_row(row) for row in survey.rows],
        "withdrawn": [_release(each) for each in survey.left_out],
        "left_behind": len(left_behind(survey)),
    }


def _release(release: Release) -> Json:
    return {
        "entry": release.entry,
        "channel": release.channel,
        "variant": release.package.variant,
        "class_id": release.line[0].hex(),
        "version": str(release.version),
        "sequence": release.sequence,
        "manifest": release.manifest.hex(),
    }


def _row(row: Row) -> Json:
    cost = row.cost
    return {
        **_release(row.release),
        "devices": None if row.whole else which(row),
        "answer": row.answer.word,
        "through": [_release(each) for each in row.answer.through],
        "why": [
            {"reason": each.word, "finding": next(iter(finding_values(filter(None, [each.finding]))), None)}
            for each in row.answer.why
        ],
        "open": list(row.answer.notes),
        "cost": None
        if cost is None
        else {
            "bytes": cost.size,
            "erases": cost.erases,
            "seconds": None if cost.seconds is None else list(cost.seconds),
            "unknown": cost.unknown,
            "rehearsals": [rehearsal_document(played, name, "a device of the log") for name, played in cost.rehearsals],
        },
    }
