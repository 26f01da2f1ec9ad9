"""The gate's report as text and as JSON values: the answer first, then what is refused, then the rest."""

from collections.abc import Iterator

from imgseal.gate.result import EXCUSED, GOOD, REFUSED, SOURCE, Artefact, GateReport
from imgseal.workspace.verdict_json import Json, detail_values, finding_values
from imgseal.workspace.verdict_text import finding_lines


def headline(report: GateReport) -> str:
    """Return the answer in one line."""
    refused, artefacts = len(report.having(REFUSED)), len(report.artefacts)
    answer = "passed" if report.passed else "refused"
    counts = "1 artefact" if artefacts == 1 else f"{artefacts} artefacts"
    return f"{answer}, for {report.device}: " + (f"{refused} of {artefacts} artefacts refused" if refused else counts)


def gate_lines(report: GateReport, *, every: bool = False) -> Iterator[str]:
    """Yield the lines of a report without line ends; with `every` all that is not refused has a line too."""
    yield headline(report)
    for finding in report.findings:
        yield ""
        yield from finding_lines(finding, "")
    for artefact in report.having(REFUSED):
        yield ""
        yield f"refused: {artefact.name} ({artefact.kind})"
        for finding in artefact.findings:
            yield from finding_lines(finding, "")
    excused = report.having(EXCUSED)
    if excused:
        yield ""
    for artefact in excused:
        codes = ", ".join(dict.fromkeys(finding.code for finding in artefact.findings))
        yield f"excused: {artefact.name} ({artefact.kind}): {codes}: {artefact.because}"
    if every:
        yield ""
    for artefact in report.artefacts if every else ():
        if artefact.outcome == GOOD:
            said = "; ".join(text for label, text in artefact.details if label in ("image", "release", "sequence"))
            yield f"good: {artefact.name} ({artefact.kind}{': ' + said if said else ''})"
        elif artefact.outcome == SOURCE:
            yield f"source: {artefact.name} ({artefact.kind}) of {artefact.because}"
    for file in report.passed_over if every else ():
        yield f"passed over: {file.name}: {file.because}"
    yield ""
    counts = ", ".join(f"{count} {outcome}" for outcome, count in report.counts.items())
    yield f"{counts}; {report.files} files looked at, {len(report.passed_over)} passed over"
    for note in report.notes:
        yield f"note: {note}"


def gate_document(report: GateReport, tool_version: str) -> Json:
    """Return the JSON document; docs/format/gate.schema.json is the contract. Keys are always there."""
    return {
        "format": 1,
        "imgseal": tool_version,
        "gate": "passed" if report.passed else "refused",
        "device": report.device,
        "product_file": report.product_file,
        "files": report.files,
        "counts": report.counts,
        "findings": finding_values(report.findings),
        "notes": list(report.notes),
        "passed_over": [
            {"artefact": each.name, "file": each.file, "path": each.inside, "because": each.because}
            for each in report.passed_over
        ],
        "artefacts": [_artefact(artefact) for artefact in report.artefacts],
    }


def _artefact(artefact: Artefact) -> Json:
    return {
        "artefact": artefact.name,
        "file": artefact.file,
        "path": artefact.inside,
        "kind": artefact.kind,
        "outcome": artefact.outcome,
        "because": artefact.because,
        "details": detail_values(artefact.details),
        "findings": finding_values(artefact.findings),
    }
