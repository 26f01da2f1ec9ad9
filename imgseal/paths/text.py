"""Who can take a release as JSON values (docs/format/paths.schema.json), and these as lines for people."""

from collections.abc import Iterator
from typing import Any

from imgseal.errors import visible
from imgseal.paths.history import Release
from imgseal.paths.survey import Cost, Row, Survey
from imgseal.paths.ways import ANSWERS, BEHIND, MISSING, THROUGH
from imgseal.rehearse.text import rehearsal_document, span
from imgseal.workspace.verdict_json import finding_values

Json = dict[str, Any]


def survey_document(survey: Survey, tool: str) -> Json:
    """Return the values for JSON, format 1."""
    rows = [_row(row) for row in survey.rows]
    return {
        "format": 1,
        "imgseal": tool,
        "package": survey.package,
        "releases": rows,
        "left_behind": sum(row["answer"] in BEHIND for row in rows),
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
    return {
        **_release(row.release),
        "withdrawn": row.withdrawn,
        "devices": None if row.whole else _which(row),
        "answer": row.answer.word,
        "through": [_release(each) for each in row.answer.through],
        "why": [
            {"reason": each.word, "finding": next(iter(finding_values(filter(None, [each.finding]))), None)}
            for each in row.answer.why
        ],
        "unsaid": list(row.answer.unsaid),
        "cost": None if row.cost is None else _cost(row.cost),
    }


def _which(row: Row) -> str:
    """Say which devices of a release a row is about: what they run, and since when they are in the field."""
    runs = sorted({image.slot for device in row.devices for _, image in device.images})
    since = sorted({device.since for device in row.devices})
    made = f"made as in {'entry' if len(since) == 1 else 'entries'} {', '.join(map(str, since))}"
    hardware = dict.fromkeys(device.hardware for device in row.devices if device.hardware is not None)
    revisions = ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in sorted(hardware))
    return f"running {', '.join(runs)}; {made}" + (f"; hardware revision {revisions}" if revisions else "")


def _cost(cost: Cost) -> Json:
    return {
        "bytes": cost.size,
        "delivered": cost.delivered,
        "erases": cost.erases,
        "seconds": None if cost.seconds is None else list(cost.seconds),
        "unknown": cost.unknown,
        "rehearsals": [rehearsal_document(played, name, "a device of the log") for name, played in cost.rehearsals],
    }


def survey_lines(document: Json) -> Iterator[str]:
    """Yield the lines for people: a group for each channel and variant, a line for each release and answer."""
    return map(visible, _lines(document))


def _lines(document: Json) -> Iterator[str]:
    yield f"who can take {document['package']}"
    rows = document["releases"]
    group = ""
    for row in rows:
        if (mine := group_words(row)) != group:
            group = mine
            yield f"  {mine or 'no channel or variant'}"
        cost = f": {cost_words(row)}" if row["cost"] else ""
        yield f"  {release_words(row):<22}  {answer_words(row)}{cost}"
        if row["answer"] in (*BEHIND, THROUGH):
            yield from (f"    {'why':<10}{each}" for each in why_words(row))
        yield from (f"    {'unsaid':<10}{each}" for each in row["unsaid"])
        for played in row["cost"]["rehearsals"] if row["cost"] else ():
            yield f"    {'rehearsed':<10}{_played(played)}"
    for why in unknown_costs(document):
        yield f"  {why}"
    behind = dict.fromkeys(row["version"] for row in rows if row["answer"] in BEHIND)
    if not rows:
        yield "  the log has no release for this class and variant: nobody is in the field"
    else:
        yield f"  left behind: devices of {', '.join(behind)}" if behind else "  nobody is left behind"


def group_words(row: Json) -> str:
    """Say of which channel and variant a release is; nothing where there are none."""
    return ", ".join(f"{what} {row[what]}" for what in ("channel", "variant") if row[what])


def release_words(row: Json) -> str:
    """Say which release a row is about."""
    return f"{row['version']} (sequence {row['sequence']}){', withdrawn' if row['withdrawn'] else ''}"


def answer_words(row: Json) -> str:
    """Say what the devices of a row make of the release, and which devices where they are not all of a release."""
    words = ANSWERS[row["answer"]]
    if row["answer"] == MISSING and not row["through"]:
        words = "not known: what these devices run is not in the archive"
    elif row["answer"] in (THROUGH, MISSING):
        words += f": {', '.join(each['version'] for each in row['through'])}"
    return words if row["devices"] is None else f"{words} [{row['devices']}]"


def why_words(row: Json) -> Iterator[str]:
    """Yield why devices do not take the release at once."""
    for each in row["why"]:
        reason, finding = each["reason"], each["finding"]
        if finding is None:
            yield reason
            continue
        values = f" (expected {finding['expected']}, found {finding['found']})"
        yield f"{reason}: {finding['message']}{values if finding['expected'] and finding['found'] else ''}"


def cost_words(row: Json) -> str:
    """Say what a way costs, as far as that is known."""
    cost = row["cost"]
    if cost is None:
        return ""
    words = [f"{cost['bytes']} bytes"]
    words += [] if cost["delivered"] is None else [f"as deliveries {cost['delivered']}"]
    words += [] if cost["erases"] is None else [f"{cost['erases']} erases"]
    words += [] if cost["seconds"] is None else [span(cost["seconds"])]
    return ", ".join(words)


def unknown_costs(document: Json) -> list[str]:
    """Return which parts of some costs are not known, and why, each reason once."""
    costs = [row["cost"] for row in document["releases"] if row["cost"] is not None]
    return list(
        dict.fromkeys(
            f"{'erases and seconds' if cost['erases'] is None else 'seconds'} are not known: {cost['unknown']}"
            for cost in costs
            if cost["unknown"]
        )
    )


def unplayed(document: Json) -> bool:
    """Say whether a way was not rehearsed, or an invariant does not hold on one."""
    costs = [row["cost"] for row in document["releases"] if row["cost"] is not None]
    return any(not cost["rehearsals"] or not all(each["holds"] for each in cost["rehearsals"]) for cost in costs)


def _played(played: Json) -> str:
    if played["violation"] is not None:
        return f"{played['package']}: BROKEN {played['violation']['invariant']}: {played['violation']['message']}"
    cuts = played["cuts"]
    lives = f"{cuts['single']} lives after one cut, {cuts['double']} after two"
    return f"{played['package']}: every invariant holds in {lives}"
