"""A verdict as JSON values; docs/format/verdict.schema.json is the contract, a test validates against it."""

from collections.abc import Iterable

from imgseal.errors import Place
from imgseal.findings import Finding, Verdict

Json = dict[str, object]


def verdicts_document(verdicts: Iterable[Verdict], tool_version: str, product_file: str) -> Json:
    """Return the document for one or more verdicts by a product file; keys are always there, values may be null."""
    return {
        "format": 1,
        "imgseal": tool_version,
        "product_file": product_file,
        "verdicts": [_verdict(verdict) for verdict in verdicts],
    }


def _verdict(verdict: Verdict) -> Json:
    return {
        "artefact": verdict.name,
        "kind": verdict.kind,
        "verdict": "accepted" if verdict.accepted else "refused",
        "device": verdict.device,
        "first_finding": verdict.findings[0].code if verdict.findings else None,
        "details": [{"label": label, "text": text} for label, text in verdict.details],
        "notes": list(verdict.notes),
        "bootloader": None if verdict.bootloader is None else dict(verdict.bootloader._asdict()),
        "checks": [
            {
                "subject": check.subject,
                "group": check.group,
                "name": check.name,
                "outcome": check.outcome,
                "mandatory": check.mandatory,
                "because": check.because,
                "findings": [_finding(finding) for finding in check.findings],
            }
            for check in verdict.checks
        ],
    }


def _finding(finding: Finding) -> Json:
    return {
        "code": finding.code,
        "message": finding.message,
        "place": _place(finding.place),
        "expected": finding.expected,
        "found": finding.found,
        "hint": finding.hint,
    }


def _place(place: Place) -> Json:
    return dict(place._asdict())
