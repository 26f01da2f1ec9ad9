"""The gate's report as SARIF 2.1.0 (OASIS Standard): rules, results, and exceptions as suppressions."""

from imgseal.findings import CODES
from imgseal.gate.result import GATE_CODES, GateReport, Row, rows
from imgseal.make.leaks import LEAK_CODES

Json = dict[str, object]

_SCHEMA = "https://json.schemastore.org/sarif-2.1.0.json"
_MEANINGS = {**CODES, **LEAK_CODES, **GATE_CODES}


def sarif_document(report: GateReport, tool_version: str) -> Json:
    """Return the log of one run, as JSON values; files are named by relative URI references where they are relative."""
    found = list(rows(report))
    codes = list(dict.fromkeys(row.finding.code for row in found))
    return {
        "$schema": _SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {
                    "driver": {
                        "name": "imgseal gate",
                        "semanticVersion": tool_version,
                        "rules": [
                            {
                                "id": code,
                                "shortDescription": {"text": f"{_MEANINGS[code]}."},
                                "defaultConfiguration": {"level": "error"},
                            }
                            for code in codes
                        ],
                    }
                },
                "invocations": [{"executionSuccessful": True, "exitCode": 0 if report.passed else 1}],
                "columnKind": "unicodeCodePoints",
                "results": [_result(row, codes.index(row.finding.code)) for row in found],
                "properties": {"device": report.device, "passed": report.passed},
            }
        ],
    }


def _result(row: Row, rule: int) -> Json:
    physical: Json = {"artifactLocation": {"uri": _uri(row.file)}}
    if row.artefact is not None and row.artefact.name == row.file and row.finding.place.offset is not None:
        physical["region"] = {"byteOffset": row.finding.place.offset}
    location: Json = {"physicalLocation": physical}
    if row.artefact is not None and row.artefact.name != row.file:
        location["logicalLocations"] = [{"fullyQualifiedName": row.artefact.name, "kind": "member"}]
    hint = f" To do: {row.finding.hint}." if row.finding.hint else ""
    result: Json = {
        "ruleId": row.finding.code,
        "ruleIndex": rule,
        "level": "error",
        "message": {"text": f"{row.sentence}.{hint}"},
        "locations": [location],
        "partialFingerprints": {"imgseal/v1": row.fingerprint},
    }
    if row.excused and row.artefact is not None:
        because = row.artefact.because or ""
        result["suppressions"] = [{"kind": "external", "status": "accepted", "justification": because}]
    return result


def _uri(path: str) -> str:
    """Return a URI reference; RFC 3986. A colon in the first segment of a relative one would be a scheme."""
    from urllib.parse import quote

    return ("file://" if path.startswith("/") else "") + quote(path, errors="surrogateescape")
