"""What the gate has found out, as values: each artefact with its outcome, and what is wrong.

The formats that list problems take them as rows: one for each finding, whoever it is about.
"""

import hashlib
from collections.abc import Iterator

from imgseal.findings import OF_RELEASES, Finding
from imgseal.records import NamedTuple

GOOD, SOURCE, EXCUSED, REFUSED = OUTCOMES = ("good", "source", "excused", "refused")
"""Sealed and accepted; unsealed, and what a good image was made of; refused, but for an exception; refused."""

GATE_CODES = {
    "gate.not-sealed": "firmware that is not sealed, and is not what a good sealed image of this run holds",
    **OF_RELEASES,
    "gate.not-judged": "the judge could not come to an answer",
    "gate.no-device": "nothing says what sequence and counters the devices of its class have",
    "gate.unreadable": "a file that is or may be firmware cannot be read",
    "gate.changed": "the file changed while the gate was at work, or is another one where the work is done",
    "gate.archive-unreadable": "an archive is damaged, cut off or encrypted",
    "gate.archive-unsupported": "an archive of a kind, or with a compression, that is not opened here",
    "gate.archive-limits": "an archive is nested deeper, or unpacks to more, than is looked into",
    "gate.archive-path": "the name of a member, or the target of a link, leads out of the archive",
    "gate.link-outside": "a link leads out of the folder that was given",
    "gate.exception-expired": "an exception of the product file has run out",
    "gate.nothing-found": "no firmware was found at all",
}
"""Code -> one line of meaning; docs/gate.md has an entry for each."""


class Artefact(NamedTuple):
    """One artefact. `name` is for people, `file` the file on disk that it is or lies in.

    `inside` is what path patterns match. `because` names the sealed image of a source, or the reason of an exception.
    """

    name: str
    file: str
    inside: str
    kind: str
    outcome: str
    findings: tuple[Finding, ...] = ()
    details: tuple[tuple[str, str], ...] = ()
    because: str | None = None


class PassedFile(NamedTuple):
    """A file that is no artefact: named as an `Artefact` is, and why."""

    name: str
    file: str
    inside: str
    because: str


class GateReport(NamedTuple):
    """The whole run: `device` says in words for which devices, `findings` are about no single artefact.

    `files` were looked at on disk. `passed_over` is what nothing was found in, there and in archives.
    """

    device: str
    product_file: str
    artefacts: tuple[Artefact, ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]
    files: int
    passed_over: tuple[PassedFile, ...] = ()

    @property
    def passed(self) -> bool:
        """True only when something good was found and nothing refused."""
        counts = self.counts
        return not self.findings and counts[GOOD] + counts[EXCUSED] > 0 and not counts[REFUSED]

    @property
    def counts(self) -> dict[str, int]:
        """How many artefacts have each outcome."""
        return {outcome: len(self.having(outcome)) for outcome in OUTCOMES}

    def having(self, outcome: str) -> tuple[Artefact, ...]:
        """Return the artefacts of one outcome, in the order of the run."""
        return tuple(each for each in self.artefacts if each.outcome == outcome)


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
