"""The report says who can take a release, as `imgseal paths` does, with a picture of the ways."""

import json
import re
from pathlib import Path

from test_paths_command import LAST, hotfix
from workshop import Imgseal

__all__ = ["hotfix"]  # a fixture


def test_the_report_says_the_same(imgseal: Imgseal, hotfix: Path) -> None:
    for archive in ([], ["--archive", "."]):
        said = imgseal("paths", LAST, *archive, "--json")
        imgseal("report", LAST, *archive, "--format", "json", "--out", "report.json")
        assert json.loads((hotfix / "report.json").read_text())["paths"] == json.loads(said.out)


def test_the_picture(imgseal: Imgseal, hotfix: Path) -> None:
    """A lane for each release: its own column, a line to the last, and a stop at what it goes through."""
    imgseal("report", LAST, "--archive", ".", "--out", "report.html")
    page = (hotfix / "report.html").read_text()
    part = page[page.index('<section id="paths">') : page.index('<section id="rehearsal">')]
    lanes = re.findall(
        r'<div class="name">([^<]*)</div>\s*<div><svg viewBox="0 0 5 1"[^>]*><path class="down" d="([^"]*)"/>'
        r'<path class="program" d="([^"]*)"/><path class="step" d="([^"]*)"/></svg>',
        part,
    )
    box = "M{}.2 .15h.6v.7h-.6z".format
    line = "M{}.5 .42H4.5v.16H{}.5z".format
    assert lanes == [
        ("2.4.0 (sequence 16)", line(0, 0), box(2) + box(4), box(0)),
        ("2.4.1 (sequence 17)", line(1, 1), box(2) + box(4), box(1)),
        ("2.4.2 (sequence 18)", line(2, 2), box(4), box(2)),
        ("2.4.3 (sequence 19)", line(3, 3), box(4), box(3)),
    ]
    assert "Nobody is left behind." in part
    assert "takes it through releases in between: 2.4.2" in part


def test_who_is_left_behind(imgseal: Imgseal, hotfix: Path) -> None:
    imgseal("report", LAST, "--out", "report.html")
    page = (hotfix / "report.html").read_text()
    assert "Devices of some releases are left behind" in page
    assert page.count('<path class="broken" d="M2.5 0v1"/>') == 2  # the line ends where the package is missing
    imgseal("report", LAST, "--development", "--out", "report.html")
    assert "Not asked: no release log says who is in the field" in (hotfix / "report.html").read_text()


def test_a_withdrawn_release_is_a_lane_like_the_others(imgseal: Imgseal, hotfix: Path) -> None:
    """Its devices are asked about; picture and table say that it was withdrawn."""
    assert imgseal("log", "withdraw", "2.4.2", "--why", "a test").status == 0
    imgseal("report", LAST, "--archive", ".", "--out", "report.html")
    page = (hotfix / "report.html").read_text()
    lanes = re.findall(r'<div class="name">(2\.4\.[^<]*)</div>', page[page.index('<section id="paths">') :])
    assert lanes[2] == "2.4.2 (sequence 18), withdrawn"
    assert "Devices of some releases are left behind" in page
