"""The picture of phases: every arrow begins and ends at a box, and every way between two phases has one."""

import re

import pytest
from desk import page_of, whole
from stages import pair

from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.cuts_text import Explored, cuts_document
from imgseal.rehearse.life import Programs
from imgseal.report.phases_drawing import BOX, TALL, draw_phases


def explored(name: str) -> tuple[Explored, ...]:
    update = pair(name)
    return explore(Asking(update.stage, update.package, Programs(), None, None, changing=False))


@pytest.mark.parametrize("name", ["two cores", "data in the NOR", "two run slots"])
def test_arrows_join_boxes(name: str) -> None:
    document = cuts_document(explored(name), "package", "device", (3, 4), changing=False, holds=True)
    for each in document["explored"]:  # type: ignore[attr-defined]
        drawing = draw_phases(each)
        at = {(box.x, box.y): each["phases"][box.number]["name"] for box in drawing.boxes}
        assert len(at) == len(each["phases"])
        assert all(0 <= x <= drawing.width - BOX and 0 <= y <= drawing.height - TALL for x, y in at)

        def box_at(x: int, y: int, at: dict[tuple[int, int], str] = at) -> str:
            (name,) = [n for (left, top), n in at.items() if left <= x <= left + BOX and top <= y <= top + TALL]
            return name

        joined = set()
        for arrow in drawing.arrows:
            (x, y), (tip_x, tip_y) = (
                map(int, re.findall(r"^M(\d+) (\d+)", path)[0]) for path in (arrow.line, arrow.head)
            )
            joined.add((box_at(x, y), box_at(tip_x, tip_y)))
        assert joined == {(way["start"], way["end"]) for way in each["ways"] if way["start"] != way["end"]}
        assert (
            ("delivering", "trial") in joined or ("switching", "unproven") in joined or ("switching", "trial") in joined
        )


def test_the_page_has_it() -> None:
    page = page_of(whole()._replace(explored=explored("two cores")))
    assert page.count('<figure class="way">') == 2
    assert (
        "closed: no sequence of power cuts, however long, breaks an invariant while the journal keeps its record"
        in page
    )
    assert "keeps its record in 4 cuts in a row, with 3 places" in page or "cuts in a row, with" in page
    for words in ("going back", "settling", "How often each invariant was looked at, failing set"):
        assert words in page
