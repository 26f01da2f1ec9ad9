"""A short run of the mutants of every kind of entry; the long one is `python tests/properties/kind_mutants.py`."""

import random
from collections import Counter
from collections.abc import Callable
from typing import Any

import kind_mutants
import page_rules
import pytest
from kind_mutants import ENTRIES, SIZE, every_byte, fields, judge, one
from log_mutants import WronglyAcceptedError

from imgseal.formats.log import entry_codec, floors, lines
from imgseal.formats.log.entry import Entry


def test_the_log_has_every_kind() -> None:
    """And is one that the page allows, as it stands."""
    assert judge(ENTRIES)
    assert set(entry_codec._NEW) == set(page_rules.KINDS)


@pytest.mark.parametrize("number", range(SIZE), ids=[entry.get("kind", "older format") for entry in ENTRIES])
def test_every_byte_of_a_line_counts(number: int) -> None:
    assert every_byte(number, 3) > 100


def some_fields(share: int, seed: int) -> Counter[str]:
    """Try one in so many of all changes of one field."""
    draw, counts = random.Random(seed), Counter[str]()
    for number in range(SIZE):
        for entries in fields(number, lambda: draw.randrange(share) == 0):
            counts["accepted" if judge(entries) else "refused"] += 1
    return counts


def test_every_field_counts() -> None:
    """What is taken is what the page allows; the long run tries all of them."""
    counts = some_fields(40, 1)
    assert counts["accepted"] > 20
    assert counts["refused"] > 250


def test_drawn_mutants() -> None:
    counts: Counter[str] = Counter()
    for number in range(400):
        one(number, 2, counts)
    assert all(counts[f"{family}: {answer}"] for family in ("blind", "drawn") for answer in ("accepted", "refused")), (
        counts
    )


def _any_reserved(floor: Any, entry: Any, _package: Any) -> Any:
    rows = () if floor is None or not isinstance(entry, Entry) or entry.reserved is None else floor.open
    return next(iter(rows), None)


PLANTED: list[tuple[Any, str, Callable[..., Any]]] = [
    (lines, "_refuse_foreign", lambda _entry, _released: None),
    (floors, "_held", _any_reserved),
    (floors, "_refuse_given", lambda *_arguments: None),
    (floors, "_without", lambda rows, _number: rows),
    (kind_mutants, "resume", lambda data, at: (data, at)),
]


@pytest.mark.parametrize(("module", "name", "fault"), PLANTED, ids=[name for _, name, _ in PLANTED])
def test_the_hunt_finds_a_rule_that_is_left_out(
    monkeypatch: pytest.MonkeyPatch, module: Any, name: str, fault: Callable[..., Any]
) -> None:
    """The test tests itself."""
    monkeypatch.setattr(module, name, fault)
    with pytest.raises(WronglyAcceptedError):
        _all_of_it()


def _all_of_it() -> None:
    for number in range(SIZE):
        every_byte(number, 97)
    for number in range(2000):
        one(number, 4, Counter())  # a seed by which each is found early; of five, two take more than 4,000
