"""The report as a page. Sources: WHATWG HTML through html5lib; WCAG 2.1 for contrast (1.4.3, 1.4.11); docs/report.md."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import html5lib
import pytest
from desk import edited, material_of, page_of, whole
from workshop import workshop

from imgseal.findings import CODES
from imgseal.report.document import report_document
from imgseal.report.inputs import Material
from imgseal.report.page import PARTS
from imgseal.report.printable import printable

CSS = (Path(__file__).parents[2] / "imgseal" / "report" / "page.css").read_text()
NAMESPACE = "{http://www.w3.org/1999/xhtml}"


def parsed(page: str) -> Any:
    """Strictly: any error of the HTML parser fails."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)


def elements(tree: Any) -> Iterator[Any]:
    return (element for element in tree.iter() if isinstance(element.tag, str))


def words(tree: Any) -> str:
    return " ".join("".join(tree.itertext()).split())


def refused() -> Material:
    return material_of(workshop().package[:-1])


PAGES: dict[str, Callable[[], Material]] = {"whole": whole, "refused": refused}


@pytest.mark.parametrize("name", PAGES)
def test_well_formed_and_self_contained(name: str) -> None:
    tree = parsed(page_of(PAGES[name]()))
    found = list(elements(tree))
    assert not {element.tag for element in found} & {
        "script",
        "link",
        "img",
        "iframe",
        "object",
        "embed",
        "form",
        "base",
    }
    ids = [element.get("id") for element in found if element.get("id")]
    assert len(ids) == len(set(ids))
    for element in found:
        assert not [key for key in element.attrib if key.startswith("on") or key in ("src", "srcset", "style", "data")]
        if element.tag == "a":
            assert element.get("href")[0] == "#"
            assert element.get("href")[1:] in ids
    assert not re.search(r"url\(|@import|https?:", CSS)
    (policy,) = (element.get("content") for element in found if element.get("http-equiv") == "Content-Security-Policy")
    assert policy == "default-src 'none'; style-src 'unsafe-inline'"
    assert [part for part in PARTS if part not in ids] == []


ROLES = {"table": "table", "thead": "rowgroup", "tbody": "rowgroup", "tr": "row", "td": "cell"}


def test_parts_of_tables_have_roles() -> None:
    """Browsers differ in whether a table that is shown as blocks stays one for screen readers; an explicit role settles it."""
    for element in elements(parsed(page_of(whole()))):
        if element.tag in ROLES:
            assert element.get("role") == ROLES[element.tag]
        if element.tag == "th":
            assert element.get("role") == {"col": "columnheader", "row": "rowheader"}[element.get("scope")]


def test_verdict_comes_first() -> None:
    for material, answer in ((whole(), "Accepted"), (refused(), "Refused")):
        tree = parsed(page_of(material))
        headings = [element for element in elements(tree) if element.tag in ("h1", "h2", "strong")]
        assert [element.tag for element in headings[:2]] == ["h1", "strong"]
        assert words(headings[1]) == answer


def test_every_code_has_an_anchor_and_a_finding_leads_to_it() -> None:
    tree = parsed(page_of(refused()))
    ids = {element.get("id") for element in elements(tree)}
    assert {f"code-{code}" for code in CODES} <= ids
    links = [element.get("href") for element in elements(tree) if element.tag == "a"]
    assert "#code-structure.envelope" in links
    for change in whole().changes:
        assert f"code-{change.first}" in ids


def test_page_and_json_say_the_same() -> None:
    """Every text and number of the document that people read is on the page."""
    document = report_document(whole())
    text = words(parsed(page_of(whole())))
    for each in document["evidence"]["observations"]:
        assert each["words"] in text
    for scheme in document["evidence"]["schemes"]:
        for row in scheme["rows"]:
            assert row["clause"] in text
            assert row["gist"] in text
    for line in document["manifest"]:
        assert " ".join(line["text"].split()) in text
    for event in document["rehearsal"]["events"]:
        assert event in text
    for memory in document["memories"]:
        for part in memory["ranges"]:
            assert f"0x{part['start']:08x}" in text
    for key in document["trust_anchors"]:
        assert key["thumbprint"] in text
    for each in document["refusals"]:
        assert each["what"] in text
    assert document["package"]["sha256"] in text
    assert document["comparison"]["old"] in text


EVIL = """<img src=x onerror=alert(1)></style><script>alert(1)</script>" ' & {{ 7*7 }} {% raw %}"""


def test_whatever_comes_from_an_artefact_is_escaped() -> None:
    """Texts, names and findings with markup make the same elements as harmless ones, and are shown as they are."""
    evil = EVIL.replace('"', '\\"')

    def edit(text: str) -> str:
        for name in ("Motor control and application", "Quillmoor (invented)", "Greenhouse vent drive with radio remote",
                     "An emergency stop must not depend on firmware.", "The vent moves when the motor core starts.", "Vent Drive 2"):  # fmt: skip
            assert name in text
            text = text.replace(name, evil)
        return text.replace('class = "vent-drive-2"', f'class = "{evil}"')

    shop = edited(edit)
    hostile = material_of(shop.package, shop)
    assert hostile.verdict.accepted
    name = EVIL + "\u202e\x00\x1b[31m.suit"
    bad = hostile.verdict
    checks = tuple(c._replace(because=EVIL) for c in bad.checks)
    bad = type(bad)(name, bad.kind, EVIL, checks, (("release", EVIL),), (EVIL,))
    trust = hostile.trust._replace(keys=tuple(key._replace(source=EVIL) for key in hostile.trust.keys))
    hostile = hostile._replace(name=name, verdict=bad, trust=trust, signers=trust.keys[1:], logged=EVIL)
    plain = material_of(workshop().package)
    page = page_of(hostile)
    tree = parsed(page)
    tags = {element.tag for element in elements(tree)}
    assert tags <= {element.tag for element in elements(parsed(page_of(plain)))}
    attributes = {key for element in elements(tree) for key in element.attrib}
    assert attributes <= {key for element in elements(parsed(page_of(plain))) for key in element.attrib}
    text = words(tree)
    assert text.count(" ".join(EVIL.split())) > 20
    assert "\\u{202e}" in text
    assert not [c for c in page if not c.isprintable() and c != "\n"]


def test_printable() -> None:
    assert printable("motor \u2713") == "motor \u2713"
    assert printable("a\u202eb\x00\x7f\n") == "a\\u{202e}b\\x00\\x7f\\x0a"


def colours(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6});", block))


def luminance(colour: str) -> float:
    """Relative luminance; WCAG 2.1."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(("number", "scheme"), [(0, "light"), (1, "dark"), (2, "print")])
def test_contrast(number: int, scheme: str) -> None:
    """Text at least 4.5 to 1 on both grounds (WCAG 1.4.3, AA), boxes and marks at least 3 to 1 (1.4.11)."""
    blocks = re.findall(r":root \{(.+?)\}", CSS, re.DOTALL)
    assert len(blocks) == 3
    assert CSS.count("@media screen and (prefers-color-scheme: dark)") == 1  # print takes the rest from the light one
    known = {**(colours(blocks[0]) if scheme == "print" else {}), **colours(blocks[number])}
    assert set(known) == {"bg", "panel", "text", "muted", "line", "edge", "link", "new", "held", "good", "bad", "part"}
    for ground in ("bg", "panel"):
        for ink in ("text", "muted", "link", "good", "bad", "part"):
            assert contrast(known[ink], known[ground]) >= 4.5, (scheme, ink, ground)
        for mark in ("new", "held", "edge", "part", "good"):
            assert contrast(known[mark], known[ground]) >= 3, (scheme, mark, ground)
    others = set(re.findall(r"#[0-9a-f]{3,8}\b", CSS)) - {c for block in blocks for c in colours(block).values()}
    assert others == set()  # no colour beside those that are computed here


def test_contrast_of_black_on_white() -> None:
    """WCAG's own extremes."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


ARTEFACTS = {
    "nothing": b"",
    "text": b"<html>",
    "sealed image": workshop().images["radio"],
    "envelope cut in the manifest": workshop().package[:200],
    "another tag": b"\xd8\x6b\xa0",
}


@pytest.mark.parametrize("name", ARTEFACTS)
def test_a_report_on_anything(name: str) -> None:
    """Never raises on what the file holds."""
    material = material_of(ARTEFACTS[name])
    page = page_of(material)
    parsed(page)
    assert material.changes == ()
    assert f'"answer">{"Accepted" if material.verdict.accepted else "Refused"}<' in page
