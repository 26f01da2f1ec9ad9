"""The report in headless Chromium, the network off: nothing wider than the window, nothing that axe-core finds, nothing that is asked for.

Sources: axe-core 4.14.1 with its rules for WCAG 2.1 AA and best practice; layout as Chromium does it. Screenshots of each width and scheme
are written to IMGSEAL_SCREENSHOTS where that names a folder: looks are for people.
"""

import base64
import json
import os
import re
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import Page, browser
from desk import edited, material_of, page_of, whole
from workshop import repacked, workshop

from imgseal.formats.suit.envelope import decode_envelope
from imgseal.report.page import PARTS
from imgseal.window import ByteView

LONG = "x" * 120
WIDER = """[...document.querySelectorAll('body *')].filter(e => !e.closest('thead, .skip')
    && e.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5).map(e => e.tagName + ': ' + e.textContent.slice(0, 60))"""

CLIPPED = """[...document.querySelectorAll('.map text.small')].filter(e => e.getBoundingClientRect().right
    > e.ownerSVGElement.getBoundingClientRect().right + 0.5).map(e => e.textContent)"""


def long_words() -> str:
    """A page with unbroken names of 120 characters everywhere a product file may have them."""
    shop = edited(lambda text: text.replace("motor-a", LONG[:60]).replace("Motor control and application", LONG))
    material = material_of(shop.package, shop)
    return page_of(material._replace(name=LONG, logged=LONG))


def crowded() -> str:
    """A device that holds firmware, and an image that is too large for its slot: the longest words that the map has."""
    shop = workshop()
    members = {key: bytes(view) for key, view in decode_envelope(shop.package).payloads.items()}
    big = {key: value + bytes(10 << 20) if value == shop.images["radio"] else value for key, value in members.items()}
    held: dict[str, Any] = {name: ByteView(image) for name, image in shop.images.items()}
    return page_of(material_of(repacked(shop.package, payloads=lambda _: big), held=held))


PAGES: dict[str, Callable[[], str]] = {
    "whole": lambda: page_of(whole()),
    "refused": lambda: page_of(material_of(workshop().package[:-1])),
    "long": long_words,
    "crowded": crowded,
}


@pytest.fixture(scope="module")
def tab(tool: Callable[[str], str]) -> Iterator[Page]:
    with browser(tool("chromium")) as page:
        yield page


@pytest.fixture(scope="module")
def axe(tool: Callable[[str], str]) -> str:
    tool("npm")
    said = subprocess.run([Path(__file__).parent / "fetch_axe.sh"], capture_output=True, text=True, check=True)
    return Path(said.stdout.strip()).read_text()


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    out = {}
    for name, make in PAGES.items():
        out[name] = folder / f"{name}.html"
        out[name].write_text(make(), encoding="utf-8")
    return out


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [375, 1600])
@pytest.mark.parametrize("name", PAGES)
def test_no_sideways_scrolling_and_no_network(
    tab: Page, written: dict[str, Path], name: str, width: int, dark: bool
) -> None:
    tab.open(written[name], width=width, dark=dark, scripts=False)
    assert tab.asked == [written[name].as_uri()]
    tab.open(written[name], width=width, dark=dark)
    assert tab.asked == [written[name].as_uri()]
    assert tab.value("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert tab.value(WIDER) == []
    assert tab.value(CLIPPED) == []
    assert tab.value("getComputedStyle(document.body).backgroundColor") == (
        "rgb(21, 25, 29)" if dark else "rgb(252, 252, 250)"
    )
    folder = os.environ.get("IMGSEAL_SCREENSHOTS")
    if folder:
        tab.screenshot(Path(folder) / f"{name}-{width}-{'dark' if dark else 'light'}.png")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [375, 1600])
@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing(tab: Page, axe: str, written: dict[str, Path], name: str, width: int, dark: bool) -> None:
    tab.open(written[name], width=width, dark=dark)
    tab.value(axe)
    found: Any = tab.value(
        "axe.run(document, {resultTypes: ['violations', 'incomplete']}).then(r => ({violations: r.violations, incomplete: r.incomplete, passes: r.passes.length}))"
    )
    assert found["passes"] > 20
    wrong = [(each["id"], [node["html"][:100] for node in each["nodes"][:3]]) for each in found["violations"]]
    assert wrong == [], json.dumps(wrong, indent=1)


def test_axe_is_awake(tab: Page, axe: str, written: dict[str, Path]) -> None:
    """The same page with three barriers planted: each is found."""
    tab.open(written["refused"], width=1600)
    tab.value("document.querySelector('h1').remove(); document.documentElement.removeAttribute('lang');"
              "document.querySelector('p').style.color = '#bbbbbb'; 0")  # fmt: skip
    tab.value(axe)
    found = set(tab.value("axe.run(document).then(r => r.violations.map(v => v.id))"))
    assert {"html-has-lang", "color-contrast", "page-has-heading-one"} <= found


def test_tables_stay_tables_for_screen_readers(tab: Page, written: dict[str, Path]) -> None:
    """Where they are shown as blocks as well; the accessibility tree of Chromium."""
    counts = []
    for width in (375, 1600):
        tab.open(written["whole"], width=width)
        nodes = tab.call("Accessibility.getFullAXTree")["nodes"]
        roles = [node["role"]["value"] for node in nodes if not node.get("ignored")]
        counts.append(
            {role: roles.count(role) for role in ("table", "row", "columnheader", "rowheader", "cell", "heading")}
        )
    assert counts[0] == counts[1]
    assert counts[0]["table"] == tab.value("document.querySelectorAll('table').length")
    assert counts[0]["columnheader"] > 40


def test_by_keyboard(tab: Page, written: dict[str, Path]) -> None:
    """The first key leads past everything to the verdict, the next ones through the parts, each with a visible mark."""
    tab.open(written["whole"], width=1600)
    tab.press("Tab")
    assert tab.value("document.activeElement.textContent") == "Skip to the verdict"
    assert tab.value("document.activeElement.getBoundingClientRect().left >= 0")
    parts = []
    for _ in PARTS:
        tab.press("Tab")
        parts.append(tab.value("document.activeElement.getAttribute('href')"))
        assert tab.value("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    assert parts[0] == "#verdict"
    assert parts[-1] == "#codes"


@pytest.mark.parametrize("lower", [0, 528, 660, 825])
def test_printed(tab: Page, written: dict[str, Path], lower: int) -> None:
    """On A4 whatever paper the browser has, every part in order; wherever pages end, no heading stands alone at the foot of one."""
    tab.open(written["whole"], width=1600, dark=True)
    tab.value(f"document.querySelector('h1').style.marginTop = '{lower}px'")
    said = tab.call("Page.printToPDF", preferCSSPageSize=True, generateTaggedPDF=True, generateDocumentOutline=True)
    data = base64.b64decode(said["data"])
    folder = os.environ.get("IMGSEAL_SCREENSHOTS")
    if folder:
        (Path(folder) / f"whole-{lower}.pdf").write_bytes(data)
    pages = [(float(w), float(h)) for w, h in re.findall(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", data)]
    assert 5 < len(pages) < 60
    assert {(round(width / 72 * 25.4), round(height / 72 * 25.4)) for width, height in pages} == {(210, 297)}
    headings = re.findall(rb"/Title \((.*)\)\n/Dest \[\d+ 0 R /XYZ [0-9.]+ ([0-9.]+) 0\]", data)
    parts = list(PARTS.values())[1:]
    assert [title.decode() for title, _ in headings if title.decode() in parts] == parts
    lowest = min(float(y) for _, y in headings)
    assert lowest > 16 / 25.4 * 72 + 28  # the margin, the heading itself and a line below it


def test_in_print(tab: Page, written: dict[str, Path]) -> None:
    """Black on white whatever the scheme, without what only leads around on a screen."""
    tab.open(written["whole"], width=1600, dark=True)
    tab.call("Emulation.setEmulatedMedia", media="print", features=[{"name": "prefers-color-scheme", "value": "dark"}])
    assert tab.value("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert tab.value("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert tab.value("getComputedStyle(document.querySelector('nav')).display") == "none"
    tab.call("Emulation.setDeviceMetricsOverride", width=680, height=900, deviceScaleFactor=1, mobile=False)  # A4
    assert tab.value("getComputedStyle(document.querySelector('td')).display") == "table-cell"
    assert tab.value("document.documentElement.scrollWidth <= 680")
    assert tab.value("document.querySelectorAll('details').length") == 0  # nothing is folded away
