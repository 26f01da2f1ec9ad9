"""The rows of the evidence table. Sources: docs/report.md; for rows of rules, what their texts ask."""

import re
from pathlib import Path

from desk import whole

from imgseal.report.evidence import MAKERS, Row, judged, schemes
from imgseal.report.grounds import FAILED, IN_PART, NOT_SHOWN, SHOWN
from imgseal.report.observations import Observation, observe

ROOT = Path(__file__).parents[2]


def rows() -> dict[tuple[str, str], Row]:
    return {(scheme.id, row.clause): row for scheme in schemes() for row in scheme.rows}


def test_a_row_with_a_part_of_the_maker_is_never_shown() -> None:
    shown = {"x": Observation("x", "x", SHOWN, "", "")}
    assert judged(Row("1", "", ("x",)), shown) == SHOWN
    assert judged(Row("1", "", ("x",), maker="device"), shown) == IN_PART
    assert judged(Row("1", "", supports=("x",), maker="device"), shown) == MAKERS
    assert judged(Row("1", "", supports=("x",), maker="device"), {"x": shown["x"]._replace(answer=FAILED)}) == FAILED


ON_THE_DEVICE = {
    "accepted", "refused", "signatures", "anchors", "algorithms", "agility", "several", "exchange", "identity", "components", "needs", "boot",
    "recovery", "data", "rollback", "sizes", "power", "authorisation", "rehearsal",
}  # fmt: skip
"""Observations of what a device would have to do as well."""


def test_rows_that_depend_on_the_device_name_it() -> None:
    for (scheme, clause), row in rows().items():
        if not row.shows and not row.supports:
            continue
        assert row.maker, (scheme, clause)
        if set(row.shows) & ON_THE_DEVICE:
            assert re.search(r"device|bootloader|detector", row.maker), (scheme, clause)


# The most that each row can be when every observation beside it is shown: no row says more than its observations.
AT_MOST = {
    "en-303-645": {
        IN_PART: "5.3-1 5.3-2 5.3-7 5.3-9 5.3-10 5.7-1 5.9-x",
        MAKERS: "5.3-3 5.3-4 5.3-5 5.3-6 5.3-8 5.3-11 5.3-12 5.3-13 5.3-14 5.3-15 5.3-16 | 5.4-1 to 5.4-4 | 5.5-3 5.6-x 5.7-2",
    },
    "cra": {
        IN_PART: "I.1 (2)(c) | I.1 (2)(d) | I.1 (2)(f) | I.1 (2)(h), (i) | I.2 (1) | I.2 (7)",
        MAKERS: "I.1 (2)(a) | I.1 (2)(b) | I.1 (2)(e) | I.1 (2)(g) | I.1 (2)(j), (k) | I.1 (2)(l) | I.1 (2)(m) | I.2 (2) | I.2 (3) | I.2 (4) | "
        "I.2 (5), (6) | I.2 (8) | Art. 13(8) | Art. 13(9) | Art. 13(13) | Annex VII",
    },
    "iec-62443-4-2": {
        IN_PART: "CR 3.4 | CR 3.4 RE(1) | CR 4.3 | EDR 3.2 | EDR 3.10 | EDR 3.10 RE(1) | EDR 3.12 | EDR 3.14 | EDR 3.14 RE(1) | 62443-4-1 SUM-1 to SUM-5",
        MAKERS: "CR 3.4 RE(2) | CR 7.8 | EDR 2.4 | EDR 3.11 | EDR 3.13",
    },
    "sp-800-193": {
        IN_PART: "4.1.1 4.1.2 4.1.3 4.2.1 4.2.1.3 4.3.1 4.3.2 4.4.1",
        MAKERS: "4.2.1 and after | 4.2.3 | 4.2.4 | 4.4.2",
    },
    "nist-ir-8259a": {IN_PART: "update | verify | authorised only", MAKERS: "roll back | on and off | configuration"},
    "un-r156": {
        IN_PART: "7.1.1.1 7.1.1.2 7.1.1.5 7.1.1.7 7.1.1.12 | 7.1.2.1 to 7.1.2.5 | 7.1.3.1 7.2.1.1 7.2.2.1.1 7.2.2.1.2 7.2.2.1.3 7.2.2.5",
        MAKERS: "7.1.1.3 7.1.1.4 7.1.1.6 | 7.1.1.8 to 7.1.1.10 | 7.1.1.11 7.1.3.2 7.1.3.3 | 7.1.4.1, 7.1.4.2 | 7.2.1.2.1 to 7.2.1.2.3 | 7.2.2.2 7.2.2.3 7.2.2.4 3.7",
    },
}  # fmt: skip


def clauses(text: str) -> list[str]:
    """Clauses stand between bars; those that are numbers alone may stand together."""
    pieces = [piece.strip() for piece in text.split("|")]
    alone = [p.split() if re.fullmatch(r"[-.0-9x ]+", p) else [p] for p in pieces]
    return [clause for piece in alone for clause in piece]


def test_no_row_can_be_more_than_its_observations_show() -> None:
    """With every observation shown: what a packaging tool cannot see stays the maker's, and nothing is simply shown."""
    everything = {name: probe._replace(answer=SHOWN) for name, probe in observe(whole()).items()}
    found: dict[str, dict[str, list[str]]] = {}
    for (scheme, clause), row in rows().items():
        found.setdefault(scheme, {}).setdefault(judged(row, everything), []).append(clause)
    expected = {scheme: {most: clauses(text) for most, text in each.items()} for scheme, each in AT_MOST.items()}
    assert {s: {most: sorted(c) for most, c in each.items()} for s, each in found.items()} == {
        s: {most: sorted(c) for most, c in each.items()} for s, each in expected.items()
    }


NO_EVIDENCE = {
    ("iec-62443-4-2", "EDR 3.13"): ("several", "exchange"),  # the asset owner's roots of trust, not the maker's keys
    ("iec-62443-4-2", "CR 3.4 RE(2)"): ("codes",),  # a notice by the device
    ("cra", "I.1 (2)(l)"): ("codes",),  # a log on the device
    ("en-303-645", "5.3-16"): ("identity", "model"),  # a designation on the product, not identifiers
    ("en-303-645", "5.5-3"): ("agility", "algorithms"),  # other algorithms on the device, not slots for signatures
    ("iec-62443-4-2", "CR 7.8"): ("components", "identity"),  # what is installed, not what a package brings
    ("un-r156", "7.2.2.4"): ("codes", "changes"),  # success or failure on the vehicle
}


def test_an_observation_that_does_not_bear_on_a_row_does_not_show_it() -> None:
    for key, names in NO_EVIDENCE.items():
        alone = {n: p._replace(answer=SHOWN if n in names else NOT_SHOWN) for n, p in observe(whole()).items()}
        assert judged(rows()[key], alone) == MAKERS, key
    own, other = rows()["iec-62443-4-2", "EDR 3.13"], rows()["en-303-645", "5.3-16"]
    assert (own.shows, own.supports) == ((), ())
    assert "identity" not in (*other.shows, *other.supports)


def test_codes_of_refusal_show_no_row() -> None:
    """They hold for the tool whatever the package, and a device may log them or not."""
    assert [key for key, row in rows().items() if "codes" in row.shows] == []


def test_rows_whose_gist_says_more_than_can_be_observed_are_the_makers() -> None:
    """Of the whole report as it is: timely, without delay, regularly, alerts, attack surface, defaults, secrets, RXSWIN."""
    found = observe(whole())
    for scheme, each in AT_MOST.items():
        for clause in clauses(each[MAKERS]):
            assert judged(rows()[scheme, clause], found) == MAKERS, clause
    assert "not compared with the rehearsal" in str(rows()["un-r156", "7.2.2.1.2"].maker)
    assert "RXSWIN" in rows()["un-r156", "7.1.1.4"].gist


def test_rows_that_had_been_missing() -> None:
    for key in (
        ("cra", "Art. 13(8)"),
        ("cra", "Art. 13(9)"),
        ("cra", "Art. 13(13)"),
        ("sp-800-193", "4.2.1 and after"),
    ):
        assert judged(rows()[key], observe(whole())) == MAKERS
    abilities = {clause: row for (scheme, clause), row in rows().items() if scheme == "nist-ir-8259a"}
    assert list(abilities) == ["update", "verify", "roll back", "authorised only", "on and off", "configuration"]
    found = observe(whole())
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
