"""Entries of format 3: every kind is read back, floors are what the page says, and what does not follow is refused.

Source: docs/format/release-log.md; `mixed_book.py` draws logs and works the floors out from that page alone.
"""

import copy
import json
import random
from collections.abc import Callable
from typing import Any

import pytest
from log_book import CLASS, by_the_page, draft, key
from mixed_book import ANCHORS, Maker, floors_by_the_page, layout, mixed

from imgseal.errors import ImgsealError
from imgseal.formats.log.entry import Entry, Surrender, Withdrawal, Withdrawn, kind_of
from imgseal.formats.log.entry_codec import decode_entry, encode_entry
from imgseal.formats.log.errors import GoingDownError, LogError, LogFormatError
from imgseal.formats.log.floors import of_class
from imgseal.formats.log.lines import EMPTY, added, resume, steps
from imgseal.versions import Version

SEEDS = range(12)
KINDS = {"release", "promotion", "reservation", "surrender", "withdrawal", "signature", "anchors", "delivery"}


def entries(data: bytes) -> list[dict[str, Any]]:
    return [json.loads(line)["entry"] for line in data.splitlines()]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_log_of_every_kind_is_read_back(seed: int) -> None:
    """Line by line and from the last line alone, and the page's second writer gives the same bytes."""
    maker = mixed(seed, 40)
    data = maker.data
    assert list(steps(data.splitlines(), "release.log")) == maker.steps
    assert by_the_page(entries(data)) == data
    at = 0
    for line, step in zip(maker.lines, maker.steps, strict=True):
        assert resume(line, at) == step.tip
        assert decode_entry(encode_entry(step.entry)) == step.entry
        at += len(line) + 1


@pytest.mark.parametrize("seed", SEEDS)
def test_floors_are_those_of_the_page(seed: int) -> None:
    maker = mixed(seed, 60)
    made = entries(maker.data)
    offsets = [json.loads(line)["at"] for line in maker.lines]
    for number, floors in enumerate(floors_by_the_page(made, offsets)):
        assert made[number]["least"] == floors, number


def test_every_kind_is_drawn() -> None:
    drawn = {kind_of(step.entry) for seed in SEEDS for step in mixed(seed, 60).steps}
    assert drawn == KINDS
    formats = [step.entry.format for seed in SEEDS for step in mixed(seed, 9).steps if isinstance(step.entry, Entry)]
    assert set(formats) == {1, 2, 3} or set(formats) == {2, 3}


@pytest.mark.parametrize("seed", range(3))
def test_a_floor_that_is_changed_is_refused(seed: int) -> None:
    """Each value of each floor of the last entries, changed with the tree worked out again."""
    maker = mixed(seed, 14)
    made = entries(maker.data)
    for index in range(len(made) - 3, len(made)):
        for path, value in _leaves(made[index]["least"]):
            tree = copy.deepcopy(made[: index + 1])
            _put(tree[index]["least"], path, _other(value))
            with pytest.raises((LogError, LogFormatError)):
                list(steps(by_the_page(tree).splitlines(), "release.log"))


def _leaves(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[tuple[Any, ...], Any]]:
    if isinstance(tree, dict | list) and tree:
        pairs = tree.items() if isinstance(tree, dict) else enumerate(tree)
        return [each for key_, value in pairs for each in _leaves(value, (*path, key_))]
    return [(path, tree)]


def _put(tree: Any, path: tuple[Any, ...], value: Any) -> None:
    for key_ in path[:-1]:
        tree = tree[key_]
    tree[path[-1]] = value


def _other(value: Any) -> Any:
    if isinstance(value, str):
        return "1" + value[1:] if value[:1] != "1" else "2" + value[1:]
    return value + 1 if isinstance(value, int) else [[1, 1]]


class First(random.Random):
    """Draws the first of several."""

    def choice(self, options: Any) -> Any:
        return options[0]

    def random(self) -> float:
        return 0.5


def book() -> Maker:
    """A release, a reservation of 12, a release of 13, a withdrawal of the first."""
    maker = Maker(0, First())
    maker.sequence = 10
    first = draft(0, sequence=11)._replace(format=3, channel="production", anchors=ANCHORS)
    first = first._replace(packages=(first.packages[0]._replace(layout=layout(0)),))
    maker.releases.append(maker.add(first).entry)  # type: ignore[arg-type]
    maker.sequence, maker.counter = 11, 0
    maker.reserve(1)
    maker.add(_release(2, 13))
    maker.withdraw()
    return maker


def _release(number: int, sequence: int, **changes: Any) -> Entry:
    return draft(number, sequence=sequence)._replace(format=3, channel="production", **changes)


def test_two_reservations_are_completed_in_either_order() -> None:
    """The second to be finished may be the one that was asked for first: its number was kept for it."""
    for order in ((1, 2), (2, 1)):
        maker = Maker(0, First())
        maker.add(_laid(_release(0, 10)))
        for number in (1, 2):
            maker.sequence, maker.counter = 10 + number - 1, 0
            maker.reserve(number)
        for number in order:
            held = maker.open[number - 1]
            package = held.packages[0]._replace(manifest=bytes([number]) * 32, keys=(key("packages"),))
            maker.add(_release(number, held.sequence, packages=(package,), reserved=held.number))
        (floor,) = maker.tip.least
        assert (floor.sequence, floor.manifest, floor.given, floor.open) == (12, b"\2" * 32, 12, ())
        assert floor.channels[0].version == Version(2, 4, 2)
        list(steps(maker.data.splitlines(), "release.log"))


def _laid(entry: Entry) -> Entry:
    return entry._replace(packages=(entry.packages[0]._replace(layout=layout(0)),))


@pytest.mark.parametrize("link", [0, (1 << 64) - 1])
def test_firmware_is_linked_for_any_address(link: int) -> None:
    """Also for 0, where flash begins on many a core: no release is lost because its entry would not be read again."""
    laid = _laid(_release(0, 10))
    part = laid.packages[0].layout.components[0]  # type: ignore[union-attr]
    parts = (part._replace(run=((part.run[0][0], link), *part.run[1:])),)
    there = laid.packages[0].layout._replace(components=parts)  # type: ignore[union-attr]
    line, step = added(EMPTY, laid._replace(packages=(laid.packages[0]._replace(layout=there),)))
    assert list(steps([line], "release.log")) == [step]


def test_a_reserved_number_is_nobody_elses() -> None:
    """Nor is that of a reservation that was given up: its request may be signed all the same."""
    maker = book()
    tip = maker.tip
    assert tip.least[0].open[0].sequence == 12
    maker.sequence, maker.counter = 13, 5
    maker.reserve(4)
    for sequence in (12, 13, 14):
        with pytest.raises(GoingDownError):
            added(maker.tip, _release(5, sequence))
    with pytest.raises(GoingDownError, match="counter goes down"):
        added(maker.tip, _release(5, 15, packages=draft(5, counter=4).packages))
    maker.surrender()
    with pytest.raises(GoingDownError):
        added(maker.tip, _release(5, 12))
    assert maker.tip.least[0].given == 14


def test_what_a_reservation_does_not_hold() -> None:
    maker = book()
    held = maker.open[0]
    package = held.packages[0]._replace(manifest=b"m" * 32, keys=(key("packages"),))
    good = _release(4, held.sequence, packages=(package,), reserved=held.number)
    added(maker.tip, good)
    dearer = tuple(image._replace(counter=image.counter + 1) for image in package.images)
    for wrong in (good._replace(sequence=14), good._replace(packages=(package._replace(images=dearer),))):
        with pytest.raises(GoingDownError, match="not the numbers that were reserved"):
            added(maker.tip, wrong)
    for number in (0, 2, 7):
        with pytest.raises(LogError, match="does not have"):
            added(maker.tip, good._replace(reserved=number))
        with pytest.raises(LogError, match="does not have"):
            added(maker.tip, Surrender(0, 1, "0.2.0", number, "why"))


def test_the_class_says_what_is_given_over_its_variants() -> None:
    """What is reserved for one variant is not given to another one: devices compare the class."""
    maker = book()
    north = _laid(_release(5, 12, packages=draft(5, sequence=12, variant="north").packages))
    with pytest.raises(GoingDownError, match="goes down"):
        added(maker.tip, north)
    maker.sequence = 19
    maker.reserve(6)
    with pytest.raises(GoingDownError, match="given already"):
        added(maker.tip, north._replace(sequence=20))
    added(maker.tip, north._replace(sequence=21))
    floor = of_class(maker.tip.least, CLASS, "north")
    assert floor is not None
    assert (floor.given, len(floor.open), floor.layout, len(floor.withdrawn)) == (20, 2, None, 1)


def test_a_class_with_reservations_alone_has_no_release() -> None:
    maker = Maker(0, First())
    maker.sequence = 10
    maker.reserve(0)
    assert of_class(maker.tip.least, CLASS, "") is None
    assert maker.tip.least[0].given == 11


Change = Callable[[list[dict[str, Any]]], object]
FAULTS: list[tuple[str, Change, type[ImgsealError], str]] = [
    ("unknown kind", lambda e: e[1].update(kind="postcard"), LogFormatError, "of a later imgseal"),
    ("kind of another type", lambda e: e[1].update(kind=3), LogFormatError, "not a value allowed|unknown key|missing|another order"),
    ("no kind", lambda e: e[0].pop("kind"), LogFormatError, "missing"),
    ("older format behind", lambda e: e.__setitem__(2, _old()), LogFormatError, "older format"),
    ("no layout at all", lambda e: e[0]["packages"][0].update(layout=None), LogFormatError, "laid out"),
    ("layout without slots", lambda e: e[0]["packages"][0]["layout"].update(slots=[]), LogFormatError, "not a value"),
    (
        "slots in another order", lambda e: e[0]["packages"][0]["layout"]["slots"].reverse(), LogFormatError,
        "not a value",
    ),
    ("withdrawn packages of another", lambda e: e[3].update(entry=2), LogError, "entry 2 does not have"),
    ("withdrawn entry is none", lambda e: e[3].update(entry=1), LogError, "entry 1 does not have"),
    ("withdrawn later", lambda e: e[3].update(entry=9), LogError, "entry 9 does not have"),
    ("no why", lambda e: e[3].update(why=""), LogFormatError, "not a value"),
    ("keys not rising", lambda e: e[0]["anchors"].update(images=["11" * 16, "11" * 16]), LogFormatError, "not a value"),
    ("promotion of nothing", lambda e: e.__setitem__(2, _promoted(e[2], 1)), LogError, "entry 1 does not have"),
]  # fmt: skip


def _old() -> dict[str, Any]:
    from log_book import book as old_book

    return entries(old_book(3)[0])[2]


def _promoted(entry: dict[str, Any], origin: int) -> dict[str, Any]:
    members = list(entry.items())
    return dict([*members[:1], ("kind", "promotion"), *members[2:5], ("from", origin), *members[5:]])


@pytest.mark.parametrize(("change", "kind", "words"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS])
def test_what_does_not_follow_is_refused(change: Change, kind: type[ImgsealError], words: str) -> None:
    made = entries(book().data)
    change(made)
    with pytest.raises(kind, match=words) as caught:
        list(steps(by_the_page(made).splitlines(), "release.log"))
    assert caught.value.hint


def test_a_promotion_is_read() -> None:
    made = entries(book().data)
    made[2] = _promoted(made[2], 0)
    step = list(steps(by_the_page(made).splitlines(), "release.log"))[2]
    assert isinstance(step.entry, Entry)
    assert (kind_of(step.entry), step.entry.origin) == ("promotion", 0)


def test_more_withdrawals_than_a_log_keeps() -> None:
    maker = book()
    tip = maker.tip
    gone = tuple(sorted(bytes([n // 256, n % 256]) + bytes(30) for n in range(256)))
    full = tip._replace(least=(tip.least[0]._replace(withdrawn=gone),))
    draft_ = Withdrawal(0, 1, "0.2.0", 2, "why", (Withdrawn("", CLASS, b"z" * 32),))
    with pytest.raises(LogFormatError, match="more releases"):
        added(full, draft_)
    with pytest.raises(LogError, match="does not have"):
        added(EMPTY, draft_)
