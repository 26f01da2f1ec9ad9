"""The gate's report as JUnit XML, in the form that build servers read: common practice, there is no standard."""

import re

from imgseal.findings import Finding
from imgseal.gate.result import EXCUSED, REFUSED, SOURCE, Artefact, GateReport
from imgseal.workspace.verdict_text import finding_lines


def junit_text(report: GateReport) -> str:
    """Return the XML: a test case for each artefact, and one for the run where something is wrong with it as a whole.

    Sources and good artefacts have passed, excused ones are skipped, with the reason.
    """
    cases = [_case("the run", "imgseal gate", _failure(report.findings))] if report.findings else []
    cases += [_artefact(artefact) for artefact in report.artefacts]
    failures = len(report.having(REFUSED)) + (1 if report.findings else 0)
    counts = f'tests="{len(cases)}" failures="{failures}" errors="0" skipped="{len(report.having(EXCUSED))}"'
    lines = ['<?xml version="1.0" encoding="UTF-8"?>']
    lines.append(f'<testsuites name="imgseal gate" {counts}>')
    lines.append(f'<testsuite name="imgseal gate" {counts}>')
    lines.append(f'<properties><property name="device" value="{_quoted(report.device)}"/></properties>')
    lines += cases
    if report.notes:
        lines.append(f"<system-out>{_quoted(chr(10).join(report.notes))}</system-out>")
    return "\n".join([*lines, "</testsuite>", "</testsuites>", ""])


def _artefact(artefact: Artefact) -> str:
    folder = artefact.name.rpartition("/")[0] or "."
    body = ""
    if artefact.outcome == REFUSED:
        body = _failure(artefact.findings)
    elif artefact.outcome == EXCUSED:
        codes = ", ".join(dict.fromkeys(finding.code for finding in artefact.findings))
        body = f'<skipped message="{_quoted(f"{codes}: {artefact.because}")}"/>'
    elif artefact.outcome == SOURCE:
        body = f"<system-out>{_quoted(f'source of {artefact.because}')}</system-out>"
    return _case(artefact.name, folder, body)


def _case(name: str, group: str, body: str) -> str:
    return f'<testcase name="{_quoted(name)}" classname="{_quoted(group)}">{body}</testcase>'


def _failure(findings: tuple[Finding, ...]) -> str:
    first = findings[0]
    text = "\n".join(line for finding in findings for line in finding_lines(finding, ""))
    message = _quoted(f"{first.code}: {first.message}")
    return f'<failure type="{_quoted(first.code)}" message="{message}">{_quoted(text)}</failure>'


def _quoted(text: str) -> str:
    """Escape for text and attributes; what XML 1.0 section 2.2 has no character for becomes a replacement."""
    kept = re.sub("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", text)
    return re.sub("[&<>\"'\n\r\t]", lambda match: f"&#{ord(match[0])};", kept)
