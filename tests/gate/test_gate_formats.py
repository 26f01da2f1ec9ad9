"""The gate's reports: SARIF against the published schema, the others against their documented forms.

Sources: SARIF 2.1.0 schema (OASIS, draft rtm.5; docs/vectors.md says where the copy is from); XML 1.0; GitHub's workflow commands, GitLab's
code quality report and the JUnit form from memory; JSON: docs/format/gate.schema.json.
"""

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import jsonschema
import pytest

from imgseal.errors import Place
from imgseal.findings import CODES, Finding
from imgseal.gate.annotations import github_lines, gitlab_values
from imgseal.gate.junit import junit_text
from imgseal.gate.result import EXCUSED, GATE_CODES, GOOD, OUTCOMES, REFUSED, SOURCE, Artefact, GateReport, rows
from imgseal.gate.sarif import sarif_document
from imgseal.gate.text import gate_document, gate_lines
from imgseal.make.leaks import LEAK_CODES

ROOT = Path(__file__).parents[2]
SARIF = json.loads((ROOT / "tests" / "vectors" / "sarif-2.1.0-rtm.5.schema.json").read_text())
GATE = json.loads((ROOT / "docs" / "format" / "gate.schema.json").read_text())

NOT_SEALED = Finding("gate.not-sealed", "not sealed", hint="seal it: 100 % of it,\nplease")
DIGEST = Finding("digest.payload", "another <payload>", Place(offset=248, key="payload_digest"), "ab & cd", "ef")
LEAK = Finding("leak.private-key", "a key", Place(offset=1424, address=0xC0590), None, "PEM\x00\x1b[31m \ud800")
EXPIRED = Finding(
    "gate.exception-expired", "has run out", Place(file="imgseal.toml", line=9, key="gate.exception[1].until")
)


def report(*artefacts: Artefact, findings: tuple[Finding, ...] = (), notes: tuple[str, ...] = ()) -> GateReport:
    return GateReport("a fresh device", "imgseal.toml", artefacts, findings, notes, 12)


def artefact(name: str, outcome: str, *findings: Finding, because: str | None = None) -> Artefact:
    file = name.split(".zip/", maxsplit=1)[0] + (".zip" if ".zip/" in name else "")
    return Artefact(
        name, file, name.split("/", 1)[1], "sealed image", outcome, findings, (("image", "motor 1.0.0"),), because
    )


FULL = report(
    artefact("out/a.bin", GOOD),
    artefact("out/a.hex", SOURCE, because="out/a.bin"),
    artefact("out/100%, b:c d.bin", REFUSED, DIGEST, LEAK),
    artefact("out/x.zip/in/b.hex", REFUSED, NOT_SEALED),
    artefact("/abs/third/c.hex", EXCUSED, NOT_SEALED, because="theirs (until 2027-01-01)"),
    findings=(EXPIRED,),
    notes=("gate.exception[2] (x) matches nothing: take it out",),
)
CLEAN = report(artefact("out/a.bin", GOOD), artefact("out/a.hex", SOURCE, because="out/a.bin"))


@pytest.mark.parametrize("of", [FULL, CLEAN])
def test_sarif_is_valid(of: GateReport) -> None:
    document = json.loads(json.dumps(sarif_document(of, "0.1.0")))
    jsonschema.Draft4Validator(SARIF, format_checker=jsonschema.FormatChecker()).validate(document)


def test_the_schema_refuses_what_is_no_sarif() -> None:
    """The schema is in force: a wrong level and a result without a message are found."""
    document = json.loads(json.dumps(sarif_document(FULL, "0.1.0")))
    spoils: list[dict[str, object]] = [{"level": "bad"}, {"message": {}}, {"extra": 1}]
    for spoil in spoils:
        spoiled = json.loads(json.dumps(document))
        spoiled["runs"][0]["results"][0].update(spoil)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(spoiled, SARIF, jsonschema.Draft4Validator)


def test_sarif_says_what_and_where() -> None:
    run = json.loads(json.dumps(sarif_document(FULL, "0.1.0")))["runs"][0]
    results = run["results"]
    assert [result["ruleId"] for result in results] == [
        "gate.exception-expired",
        "digest.payload",
        "leak.private-key",
        "gate.not-sealed",
        "gate.not-sealed",
    ]
    assert [rule["id"] for rule in run["tool"]["driver"]["rules"]] == list(dict.fromkeys(r["ruleId"] for r in results))
    assert all(run["tool"]["driver"]["rules"][r["ruleIndex"]]["id"] == r["ruleId"] for r in results)
    places = [result["locations"][0]["physicalLocation"] for result in results]
    assert [place["artifactLocation"]["uri"] for place in places] == [
        "imgseal.toml",
        "out/100%25%2C%20b%3Ac%20d.bin",
        "out/100%25%2C%20b%3Ac%20d.bin",
        "out/x.zip",
        "file:///abs/third/c.hex",
    ]
    assert places[1]["region"] == {"byteOffset": 248}
    assert results[3]["locations"][0]["logicalLocations"][0]["fullyQualifiedName"] == "out/x.zip/in/b.hex"
    assert [bool(result.get("suppressions")) for result in results] == [False, False, False, False, True]
    assert results[4]["suppressions"][0]["justification"] == "theirs (until 2027-01-01)"


def test_every_code_that_can_be_reported_has_a_rule() -> None:
    for code in {**CODES, **LEAK_CODES, **GATE_CODES}:
        of = report(artefact("out/a.bin", REFUSED, Finding(code, "message")))
        rule = sarif_document(of, "0")["runs"][0]["tool"]["driver"]["rules"][0]  # type: ignore[index]
        assert rule["id"] == code
        assert rule["shortDescription"]["text"]


def test_junit_counts_and_names() -> None:
    root = ET.fromstring(junit_text(FULL).encode("utf-8"))
    suite = root[0]
    cases = suite.findall("testcase")
    assert (root.tag, suite.tag) == ("testsuites", "testsuite")
    assert {key: suite.get(key) for key in ("tests", "failures", "errors", "skipped")} == {
        "tests": "6",
        "failures": "3",
        "errors": "0",
        "skipped": "1",
    }
    assert [case.get("name") for case in cases] == ["the run", *(each.name for each in FULL.artefacts)]
    failed = {case.get("name"): case.find("failure") for case in cases if case.find("failure") is not None}
    failure = failed["out/100%, b:c d.bin"]
    assert failure is not None
    assert failure.get("type") == "digest.payload"
    assert "ab & cd" in (failure.text or "")
    assert "leak.private-key" in (failure.text or "")
    assert len(cases) == int(suite.get("tests") or 0)
    assert len(failed) == int(suite.get("failures") or 0)
    assert len([case for case in cases if case.find("skipped") is not None]) == 1


def test_junit_of_a_good_run_has_no_failure() -> None:
    root = ET.fromstring(junit_text(CLEAN))
    assert root.get("failures") == "0"
    assert root.findall(".//failure") == []


def test_junit_is_xml_whatever_is_in_a_name() -> None:
    """XML 1.0 section 2.2 has no control characters; every other character survives."""
    name = "out/" + "".join(chr(n) for n in [*range(1, 0x180), 0xD800, 0xFFFE, 0x1F600])
    root = ET.fromstring(junit_text(report(artefact(name, REFUSED, NOT_SEALED))).encode("utf-8"))
    read = root.find(".//testcase").get("name")  # type: ignore[union-attr]
    forbidden = [*range(1, 0x20), 0xD800, 0xFFFE]
    expected = "".join("\ufffd" if ord(c) in forbidden and c not in "\t\n\r" else c for c in name)
    assert read == expected


def test_github_lines() -> None:
    lines = list(github_lines(FULL))
    form = re.compile(r"::(error|notice) (?:file=[^,:\n]+,)?title=[^,:\n]+::[^\n]+")
    assert all(form.fullmatch(line) for line in lines[:-1]), lines
    assert [line.split(" ", maxsplit=1)[0] for line in lines[:-1]] == ["::error"] * 4 + ["::notice"] * 2
    assert lines[1].startswith("::error file=out/100%25%2C b%3Ac d.bin,title=digest.payload::")
    assert "seal it: 100 %25 of it,%0Aplease" in lines[3]
    assert lines[-1].startswith("refused, for a fresh device: 2 of 5 artefacts refused")
    assert list(github_lines(CLEAN)) == ["passed, for a fresh device: 2 artefacts"]


def test_gitlab_values() -> None:
    values = gitlab_values(FULL)
    assert len({str(value["fingerprint"]) for value in values}) == len(values) == 5
    for value in values:
        assert set(value) == {"description", "check_name", "fingerprint", "severity", "location"}
        assert value["severity"] in ("info", "minor", "major", "critical", "blocker")
        assert re.fullmatch("[0-9a-f]{64}", str(value["fingerprint"]))
    assert [value["severity"] for value in values] == ["critical", "critical", "blocker", "critical", "info"]
    assert values[0]["location"] == {"path": "imgseal.toml", "lines": {"begin": 9}}
    assert gitlab_values(CLEAN) == []


def test_fingerprints_last_from_run_to_run() -> None:
    """Another digest, another folder to build in, other artefacts beside it: the same problem. Two problems differ."""
    before = {row.fingerprint for row in rows(FULL)}
    other = artefact("elsewhere/100%, b:c d.bin", REFUSED, DIGEST._replace(found="01"), LEAK)
    again = [row.fingerprint for row in rows(report(artefact("out/new.bin", REFUSED, DIGEST), other))]
    assert again[0] not in before
    assert set(again[1:]) <= before
    twice = [row.fingerprint for row in rows(report(artefact("out/a", REFUSED, LEAK, LEAK)))]
    assert len(set(twice)) == 2


@pytest.mark.parametrize("of", [FULL, CLEAN])
def test_json_is_as_its_schema_says(of: GateReport) -> None:
    document = json.loads(json.dumps(gate_document(of, "0.1.0")))
    jsonschema.validate(document, GATE)
    assert document["gate"] == ("refused" if of is FULL else "passed")
    assert GATE["$defs"]["code"]["enum"] == [*CODES, *LEAK_CODES, *GATE_CODES]
    assert GATE["$defs"]["artefact"]["properties"]["outcome"]["enum"] == list(OUTCOMES)
    del document["artefacts"][0]["kind"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, GATE)


def test_text_says_all_of_it() -> None:
    text = "\n".join(gate_lines(FULL, every=True))
    for words in (
        "refused, for a fresh device: 2 of 5 artefacts refused",
        "gate.exception-expired",
        "refused: out/x.zip/in/b.hex (sealed image)",
        "excused: /abs/third/c.hex (sealed image): gate.not-sealed: theirs (until 2027-01-01)",
        "good: out/a.bin (sealed image: motor 1.0.0)",
        "source: out/a.hex (sealed image) of out/a.bin",
        "1 good, 1 source, 1 excused, 2 refused; 12 files looked at",
        "note: gate.exception[2] (x) matches nothing",
    ):
        assert words in text
    assert "good: " not in "\n".join(gate_lines(FULL))


def test_nothing_is_no_pass() -> None:
    assert not report().passed
    assert not report(artefact("out/a.hex", SOURCE, because="x")).passed
    assert not report(artefact("out/a.bin", GOOD), findings=(EXPIRED,)).passed
    assert not report(artefact("out/a.bin", GOOD), artefact("out/b.bin", REFUSED, DIGEST)).passed
    assert not report(artefact("out/a.bin", "whatever")).passed
    assert CLEAN.passed
