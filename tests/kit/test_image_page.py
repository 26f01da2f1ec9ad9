"""The table of checks in docs/format/sealed-image.md is the judge's order, and names every code of a sealed image."""

import re
from pathlib import Path

from test_third_image import CASES

from imgseal.check.order import IMAGE_ORDER
from imgseal.findings import CODES

TEXT = (Path(__file__).parents[2] / "docs" / "format" / "sealed-image.md").read_text()
ROWS: list[tuple[str, str, str]] = re.findall(
    r"^\| `([a-z-]+)` \| ([a-z, -]+) \| (.+) \|$", TEXT.split("## The checks\n")[1], re.MULTILINE
)


def test_checks_and_what_they_need() -> None:
    assert [(name, needs) for name, needs, _ in ROWS] == [
        (check.name, ", ".join(check.needs) or "-") for check in IMAGE_ORDER
    ]


def test_codes_stand_in_the_row_of_their_group() -> None:
    groups = {check.name: check.group for check in IMAGE_ORDER}
    for name, _, text in ROWS:
        for code in re.findall(r"`((?:[a-z]+)\.[a-z-]+)`", text):
            assert code in CODES
            assert code.split(".")[0] == groups[name]


def test_every_code_of_the_kit_is_on_the_page() -> None:
    named = set(re.findall(r"`([a-z]+\.[a-z-]+)`", TEXT))
    assert {code for case in CASES for code in case["codes"]} <= named
