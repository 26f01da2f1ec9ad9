"""Sequences of power cuts against the journal: the fewest that lose a record are known, and none with fewer exists.

The source of truth is docs/format/install-record.md, "The journal", "How many cuts in a row".
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from journal_alone import EMPTY, Step, search
from long_runs import long
from moody import Cut, Slot
from stages import small, text_of

from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.rehearse.adversary import ERASED, HELD
from imgseal.rehearse.flash import Flash
from imgseal.rehearse.journal import Journal, NoPlaceError, _Found, _trust

PRODUCT = small("staged, no way back")
PAGE = (Path(__file__).parents[2] / "docs" / "format" / "install-record.md").read_text()
TABLE = PAGE.split("### How many cuts in a row")[1].split("###")[0]
LEAST = {int(places): int(cuts) for places, cuts in re.findall(r"^\| (\d) \| (\d+) \|$", TABLE, re.MULTILINE)}
"""The page's table: places, and the fewest cuts in a row that lose a record."""


class CopiesWithoutCare(Journal):
    """As it once was: all places are erased but the record's own and that of the one it is based on, then it is copied."""

    def _by_worth(self, found: list[_Found]) -> list[int]:
        return super()._by_worth([])

    def _copy(self, newest: _Found, found: list[_Found]) -> None:
        base = [each for each in found if each.record.generation == newest.record.base]
        kept = {newest.place, *([max(base, key=_trust).place] if base else [])}
        for place in range(self._places):
            if place not in kept:
                self._erase(place)
        if not self._store(newest.record._replace(copied=newest.record.copied + 1), found, kept):
            raise NoPlaceError
        self.tidy()


class OverWhatCountsLeast(Journal):
    """The copies that a place shows are not looked at."""

    def _by_worth(self, found: list[_Found]) -> list[int]:
        shown = {each.place: each for each in found}
        places = super()._by_worth(found)
        return sorted(places, key=lambda place: _trust(shown[place]) if place in shown else (0, False, 0))


def sequence_after(
    journal: type[Journal],
    lives: list[Cut],
    commits: int,
    opened_by: Callable[[Flash], Journal] | None = None,
    of: Product = PRODUCT,
) -> int | None:
    """Play lives on simulated flash: the first ones commit once, the others open only.

    Return what a last one reads when all that is unreliable reads as erased; `opened_by` opens where none commits.
    """
    slot = Slot(of)
    seen: list[int | None] = []

    def commit(flash: Flash) -> None:
        opened = journal(flash, of)
        before = opened.open() or EMPTY
        opened.commit(before._replace(sequence=before.sequence + 1))

    def only_open(flash: Flash) -> None:
        record = journal(flash, of).open() if opened_by is None else opened_by(flash).record
        seen.append(None if record is None else record.sequence)

    slot.live(Cut({}), commit)
    for number, life in enumerate(lives):
        slot.live(life, commit if number < commits else only_open)
    slot.live(Cut(dict.fromkeys(range(slot.places), ERASED)), only_open)
    return seen[-1]


FOUR = [
    Cut({}, "erase", 0),  # record 2 is whole in place 1, and the one before half erased
    Cut({0: HELD}, "program", 2, 5),  # a copy goes to place 2, and its last unit is torn
    Cut({0: ERASED, 2: ERASED}, "erase", 2),  # the copy is not whole: its place is erased, and the erase is cut
    Cut({0: ERASED, 2: HELD}, "erase", 1),  # the copy is whole: the only sound record is erased
]


def known(places: int) -> list[Cut]:
    """The sequence that loses a record of so many places: each other one is torn, then half erased."""
    others = range(1, places)
    torn = [Cut(dict.fromkeys(others, ERASED), "program", place, 5) for place in others]
    erased = [
        Cut({other: HELD if other > place else ERASED for other in others}, "erase", place)
        for place in reversed(others)
    ]
    return [*torn, *erased, Cut(dict.fromkeys(others, HELD), "erase", 0)]


def test_four_cuts_lose_no_record() -> None:
    assert sequence_after(Journal, FOUR, 1) == 2
    assert sequence_after(CopiesWithoutCare, FOUR, 1) is None


@pytest.mark.parametrize("places", [3, 4, 5, 6, 8])
def test_two_cuts_a_place_lose_one(places: int) -> None:
    """The last one erases the only sound place; until then nobody has acted upon record 2."""
    text = text_of("staged, no way back").replace(
        'at = 0x1000\nsize = "6 KiB"', f'at = 0x8000\nsize = "{2 * places} KiB"'
    )
    of, lives = read(text, name="x"), known(places)
    assert len(lives) == 2 * places - 1 == LEAST.get(places, 2 * places - 1)
    assert sequence_after(Journal, lives[:-1], 1, of=of) == 1
    assert sequence_after(Journal, lives, 1, of=of) is None


def as_lives(steps: tuple[Step, ...]) -> list[Cut]:
    """What a search found, as moods and operations of flash."""
    out = []
    for step in steps:
        if step.cut:
            assert step.place is not None
            writes = re.search(r"copy (\d) to", step.what)
            number = 2 * int(writes[1]) - 1 if writes else 0
            out.append(Cut(dict(enumerate(step.shown)), "program" if writes else "erase", step.place, number))
    return out


@pytest.mark.parametrize(
    ("journal", "places", "cuts"),
    [
        (Journal, 3, LEAST[3]),
        *(
            pytest.param(*row, marks=long)
            for row in [(CopiesWithoutCare, 3, 4), (CopiesWithoutCare, 4, 4), (OverWhatCountsLeast, 3, 4)]
        ),
    ],
)
def test_as_many_cuts_lose_a_record_and_no_fewer(journal: type[Journal], places: int, cuts: int) -> None:
    found = search(journal, places, cuts)
    assert found.cuts == cuts
    assert found.lost is not None
    if places == 3:
        lives = as_lives(found.lost)
        assert len(lives) == cuts
        commits = sum(step.what.startswith("commit, ") for step in found.lost)
        assert sequence_after(journal, lives, commits) is None
        assert sequence_after(journal, lives[:-1], commits) is not None


@long
def test_four_places_survive_four_cuts() -> None:
    assert search(Journal, 4, 4).lost is None
