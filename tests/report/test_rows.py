"""The rows of the evidence table. Sources: docs/report.md; for rows of rules, what their texts ask."""

import re
from pathlib import Path

from desk import whole

from imgseal.report.evidence import MAKERS, Row, judged, schemes
from imgseal.report.probes import FAILED, IN_PART, SHOWN, Probe, probes

ROOT = Path(__file__).parents[2]


def rows() -> dict[tuple[str, str], Row]:
    return {(scheme.id, row.clause): row for scheme in schemes() for row in scheme.rows}


def test_a_row_with_a_part_of_the_maker_is_never_shown() -> None:
    shown = {"x": Probe("x", "x", SHOWN, "", "")}
    assert judged(Row("1", None, "", ("x",), None), shown) == SHOWN
    assert judged(Row("1", None, "", ("x",), "device"), shown) == IN_PART
    assert judged(Row("1", None, "", ("x",), "device", support=True), shown) == MAKERS
    assert (
        judged(Row("1", None, "", ("x",), "device", support=True), {"x": shown["x"]._replace(answer=FAILED)}) == FAILED
    )


ON_THE_DEVICE = {
    "accepted", "refused", "signatures", "anchors", "algorithms", "agility", "several", "exchange", "identity", "components", "needs", "boot",
    "recovery", "data", "rollback", "sizes", "power", "authorisation", "rehearsal",
}  # fmt: skip
"""Observations of what a device would have to do as well."""


def test_rows_that_depend_on_the_device_name_it() -> None:
    for (scheme, clause), row in rows().items():
        if not row.shows:
            continue
        assert row.maker, (scheme, clause)
        if not row.support and set(row.shows) & ON_THE_DEVICE:
            assert re.search(r"device|bootloader|detector", row.maker), (scheme, clause)


def test_rows_whose_gist_says_more_than_can_be_observed_are_the_makers() -> None:
    """Timely, without delay, regularly, free and prompt, alerts, attack surface, defaults, secrets, RXSWIN: nobody sees them in a package."""
    found = probes(whole())
    makers = {
        "en-303-645": ("5.3-8", "5.3-11", "5.4-1 to 5.4-4", "5.7-2"),
        "cra": ("I.1 (2)(a)", "I.1 (2)(b)", "I.1 (2)(j), (k)", "I.2 (2)", "I.2 (3)", "I.2 (8)", "Annex VII"),
        "un-r156": ("7.1.1.4",),
        "nist-ir-8259a": ("roll back",),
    }
    for scheme, clauses in makers.items():
        for clause in clauses:
            row = rows()[scheme, clause]
            assert row.support, clause
            assert judged(row, found) == MAKERS
    assert "not compared with the rehearsal" in str(rows()["un-r156", "7.2.2.1.2"].maker)
    assert "RXSWIN" in rows()["un-r156", "7.1.1.4"].gist


def test_rows_that_had_been_missing() -> None:
    for key in (
        ("cra", "Art. 13(8)"),
        ("cra", "Art. 13(9)"),
        ("cra", "Art. 13(13)"),
        ("sp-800-193", "4.2.1 and after"),
    ):
        assert judged(rows()[key], probes(whole())) == MAKERS
    abilities = {clause: row for (scheme, clause), row in rows().items() if scheme == "nist-ir-8259a"}
    assert list(abilities) == ["update", "verify", "roll back", "authorised only", "on and off", "configuration"]
    found = probes(whole())
    assert [judged(row, found) for row in abilities.values()] == [IN_PART, IN_PART, MAKERS, IN_PART, MAKERS, MAKERS]


NAMES = {
    "en-303-645": "ETSI EN 303 645", "cra": "Cyber Resilience Act|2024/2847", "iec-62443-4-2": "IEC 62443-4-2", "sp-800-193": "NIST SP 800-193",
    "nist-ir-8259a": "NIST IR 8259A", "un-r156": r"UN R156|UN Regulation No\. 156",
}  # fmt: skip
"""Scheme -> what pages call it."""


def test_pages_name_and_count_every_set_of_rules() -> None:
    assert [scheme.id for scheme in schemes()] == list(NAMES)
    for page in ("README.md", "docs/report.md", "docs/standards.md"):
        text = (ROOT / page).read_text()
        assert [key for key, name in NAMES.items() if not re.search(name, text)] == [], page
    counted = ["none", "one", "two", "three", "four", "five", "six", "seven", "eight"][len(NAMES)]
    for page in ("docs/cli.md", "docs/changes.md"):
        assert set(re.findall(r"\b(\w+)\s+sets of rules", (ROOT / page).read_text())) == {counted}, page
