"""The gate's report for the two large build servers: workflow commands of GitHub, code quality of GitLab.

Both are their makers' formats, from their public documentation, and from memory.
"""

from collections.abc import Iterator

from imgseal.gate.result import GateReport, rows
from imgseal.gate.text import headline


def github_lines(report: GateReport) -> Iterator[str]:
    """Yield workflow commands, and the answer as a line of the log. Exceptions and remarks are notices."""
    for row in rows(report):
        kind = "notice" if row.excused else "error"
        text = row.sentence + (f"\n{row.finding.hint}" if row.finding.hint else "")
        if row.excused and row.artefact is not None:
            text = f"{row.sentence}\nexcused: {row.artefact.because}"
        yield f"::{kind} file={_property(row.file)},title={_property(row.finding.code)}::{_data(text)}"
    for note in report.notes:
        yield f"::notice title=imgseal gate::{_data(note)}"
    yield headline(report)


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _data(text).replace(":", "%3A").replace(",", "%2C")


def gitlab_values(report: GateReport) -> list[dict[str, object]]:
    """Return the issues as JSON values; what an exception covers is of severity `info`."""
    return [
        {
            "description": f"{row.finding.code}: {row.sentence}",
            "check_name": row.finding.code,
            "fingerprint": row.fingerprint,
            "severity": "info" if row.excused else "blocker" if row.finding.code.startswith("leak.") else "critical",
            "location": {"path": row.file, "lines": {"begin": row.finding.place.line or 1}},
        }
        for row in rows(report)
    ]
