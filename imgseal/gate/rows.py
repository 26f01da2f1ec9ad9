"""What is wrong as rows: one for each finding, whoever it is about; for the formats that list problems."""

import hashlib
from collections.abc import Iterator

from imgseal.findings import Finding
from imgseal.gate.result import EXCUSED, REFUSED, Artefact, GateReport
from imgseal.records import NamedTuple


class Row(NamedTuple):
    """A finding, the artefact it is about (None for one about the run), and what tells it from all others.

    `file` lies on disk; `fingerprint` (64 hex digits) stays the same from run to run while the problem does.
    """

    finding: Finding
    artefact: Artefact | None
    file: str
    fingerprint: str

    @property
    def excused(self) -> bool:
        """Whether an exception of the product file covers it."""
        return self.artefact is not None and self.artefact.outcome == EXCUSED

    @property
    def sentence(self) -> str:
        """The finding in one line, with the artefact's name in front."""
        parts = [self.finding.message]
        for label, text in (("expected", self.finding.expected), ("found", self.finding.found)):
            if text is not None:
                parts.append(f"{label} {text}")
        where = str(self.finding.place._replace(file=None))
        name = self.file if self.artefact is None else self.artefact.name
        return f"{name}: {'; '.join(parts)}" + (f" ({where})" if where else "")


def rows(report: GateReport) -> Iterator[Row]:
    """Yield the findings in the order of the run, those of excused artefacts as well."""
    seen: dict[str, int] = {}
    for finding in report.findings:
        file = finding.place.file or report.product_file
        yield Row(finding, None, file, _fingerprint(seen, finding, file))
    for artefact in report.artefacts:
        if artefact.outcome in (REFUSED, EXCUSED):
            for finding in artefact.findings:
                yield Row(finding, artefact, artefact.file, _fingerprint(seen, finding, artefact.inside))


def _fingerprint(seen: dict[str, int], finding: Finding, path: str) -> str:
    """Hash code and path: what changes from build to build, such as digests and sizes, is no part of it."""
    text = f"{finding.code}\n{path}\n{finding.place.key or ''}"
    seen[text] = seen.get(text, 0) + 1
    return hashlib.sha256(f"{text}\n{seen[text]}".encode()).hexdigest()
