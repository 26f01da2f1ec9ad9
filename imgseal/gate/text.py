"""The gate's report as text and as JSON values: the answer first, then what is refused, then the rest."""

from collections.abc import Iterator

from imgseal.findings import Finding
from imgseal.gate.result import EXCUSED, GOOD, REFUSED, SOURCE, Artefact, GateReport
from imgseal.workspace.verdict_text import finding_lines

Json = dict[str, object]


def headline(report: GateReport) -> str:
    """Return the answer in one line."""
    refused = len(report.having(REFUSED))
    answer = "passed" if report.passed else "refused"
    counts = f"{refused} of {len(report.artefacts)} artefacts refused" if refused else _count(len(report.artefacts))
    return f"{answer}, for {report.device}: {counts}"


def _count(number: int) -> str:
    return "1 artefact" if number == 1 else f"{number} artefacts"


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
        yield from _others(report)
    yield ""
    counts = [f"{len(report.having(outcome))} {outcome}" for outcome in (GOOD, SOURCE, EXCUSED, REFUSED)]
    yield f"{', '.join(counts)}; {report.files} files looked at, {len(report.passed_over)} passed over"
    for note in report.notes:
        yield f"note: {note}"


def _others(report: GateReport) -> Iterator[str]:
    for artefact in report.artefacts:
        if artefact.outcome == GOOD:
            said = "; ".join(text for label, text in artefact.details if label in ("image", "release", "sequence"))
            yield f"good: {artefact.name} ({artefact.kind}{': ' + said if said else ''})"
        elif artefact.outcome == SOURCE:
            yield f"source: {artefact.name} ({artefact.kind}) of {artefact.because}"
    for file in report.passed_over:
        yield f"passed over: {file.name}: {file.because}"


def gate_document(report: GateReport, tool_version: str) -> Json:
    """Return the JSON document; docs/format/gate.schema.json is the contract. Keys are always there."""
    return {
        "format": 1,
        "imgseal": tool_version,
        "gate": "passed" if report.passed else "refused",
        "device": report.device,
        "product_file": report.product_file,
        "files": report.files,
        "counts": {outcome: len(report.having(outcome)) for outcome in (GOOD, SOURCE, EXCUSED, REFUSED)},
        "findings": [finding_values(finding) for finding in report.findings],
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
        "details": [{"label": label, "text": text} for label, text in artefact.details],
        "findings": [finding_values(finding) for finding in artefact.findings],
    }


def finding_values(finding: Finding) -> Json:
    """Return a finding as JSON values."""
    return {**finding._asdict(), "place": finding.place._asdict()}
