"""The release log's lines: what is added is what the page says, and what does not follow is refused with its line.

Source: docs/format/release-log.md; `by_the_page` in log_book.py writes logs from that page alone.
"""

import itertools
import json
from collections.abc import Callable
from typing import Any

import pytest
from log_book import CLASS, book, by_the_page, compact, draft

from imgseal.errors import ImgsealError
from imgseal.formats.log.entry import Entry, Floor, LoggedImage
from imgseal.formats.log.entry_codec import decode_entry, encode_entry
from imgseal.formats.log.errors import ForkError, GoingDownError, LogError, LogFormatError
from imgseal.formats.log.floors import of_class, raise_to
from imgseal.formats.log.lines import EMPTY, Step, added, resume, steps
from imgseal.formats.log.tree import leaf_hash
from imgseal.limits import LOG_LINE_BYTES
from imgseal.versions import Version

LOG, MADE = book(9)
LINES = LOG.splitlines()


def read(data: bytes) -> list[Step]:
    return list(steps(data.splitlines(), "release.log"))


def entries(data: bytes = LOG) -> list[dict[str, Any]]:
    return [json.loads(line)["entry"] for line in data.splitlines()]


def test_what_is_added_is_read_back() -> None:
    assert read(LOG) == MADE
    assert [step.entry.number for step in MADE] == list(range(9))
    assert MADE[-1].tip.at == len(LOG)


def test_the_page_alone_gives_the_same_bytes() -> None:
    """A second writer, from the format page, with the naive tree."""
    assert by_the_page(entries()) == LOG


def test_the_leaf_is_the_entry_as_it_stands_in_the_line() -> None:
    for line, step in zip(LINES, MADE, strict=True):
        data = line[line.index(b',"entry":') + 9 : -1]
        assert data == encode_entry(step.entry)
        assert leaf_hash(data) == step.leaf
        assert decode_entry(data) == step.entry


def test_the_last_line_is_enough_to_go_on() -> None:
    at = 0
    for line, step in zip(LINES, MADE, strict=True):
        assert resume(line, at) == step.tip
        at += len(line) + 1


def test_floors_rise_by_class_and_variant(monkeypatch: pytest.MonkeyPatch) -> None:
    """As they stand in logs, which may have been written when a variant was compared with itself alone."""
    line, first = added(EMPTY, draft(0, counter=5))
    with monkeypatch.context() as before:
        before.setattr("imgseal.formats.log.lines.refuse_below", lambda *_: None)
        later, second = added(first.tip, draft(1, counter=4, sequence=3, variant="north"))
    assert read(line + b"\n" + later + b"\n") == [first, second]
    assert resume(later, len(line) + 1) == second.tip
    assert [(f.variant, f.sequence, f.counters) for f in second.tip.least] == [
        ("", 10, ((1, 5), (2, 3))),
        ("north", 3, ((1, 4), (2, 3))),
    ]
    _, third = added(second.tip, draft(2, counter=6))
    assert third.tip.least[0].counters == ((1, 6), (2, 3))
    assert third.tip.least[1] == second.tip.least[1]


def test_what_is_added_is_not_below_its_class(monkeypatch: pytest.MonkeyPatch) -> None:
    """A device compares the class: it does not know which variant it was made as."""
    _, first = added(EMPTY, draft(0, counter=5))
    below = [({"sequence": 9, "counter": 5}, "release.sequence"), ({"sequence": 10, "counter": 5}, "release.sequence"),
             ({"sequence": 11, "counter": 4}, "counter")]  # fmt: skip
    for numbers, key in below:
        with pytest.raises(GoingDownError) as caught:
            added(first.tip, draft(1, variant="north", **numbers))
        assert key in str(caught.value.place.key)
    _, second = added(first.tip, draft(1, variant="north", sequence=11, counter=5))
    assert [floor.sequence for floor in second.tip.least] == [10, 11]


def test_the_floor_of_a_class_is_over_its_variants() -> None:
    one, two, three = Version(1, 0, 0), Version(1, 1, 0), Version(1, 2, 0)
    plain = Floor("", CLASS, 10, b"p" * 32, ((1, 5), (2, 3)), (one, two))
    north = Floor("north", CLASS, 11, b"n" * 32, ((1, 4), (3, 7)), (two, three))
    other = Floor("", b"o" * 16, 90, b"o" * 32, ((1, 90),), (one, one))
    for order in itertools.permutations((plain, north, other)):
        known = of_class(order, CLASS, "east")
        assert known == Floor("east", CLASS, 11, b"n" * 32, ((1, 5), (2, 3), (3, 7)), (one, three), 11)
        same = tuple(floor._replace(sequence=11) for floor in order)
        assert [of_class(same, CLASS, name).manifest for name in ("", "north")] == [b"p" * 32, b"n" * 32]  # type: ignore[union-attr]
        silent = tuple(floor._replace(bootloaders=()) if floor is north else floor for floor in order)
        assert of_class(silent, CLASS, "").bootloaders == ()  # type: ignore[union-attr]
        assert of_class(order, b"x" * 16, "") is None


def test_no_hint_names_a_sequence_that_there_is_not() -> None:
    last = 0xFFFF_FFFF
    _, first = added(EMPTY, draft(0, sequence=last))
    for sequence in (last, last - 1):
        with pytest.raises(GoingDownError) as caught:
            added(first.tip, draft(1, sequence=sequence))
        assert str(last + 1) not in str(caught.value.hint)
        assert "4294967295 is the last sequence there is" in str(caught.value.hint)
    assert raise_to(last - 1) == "release.sequence = 4294967295"


def test_floors_say_which_bootloaders_are_in_the_field() -> None:
    """The oldest and the newest since the first release; a release that does not say leaves it open for good."""
    said = [[str(version) for version in step.tip.least[0].bootloaders] for step in MADE]
    assert said == [
        ["1.0.0", "1.0.0"], ["1.0.0", "1.0.0"], ["1.0.0", "1.0.0"], ["1.0.0", "1.1.0"], ["1.0.0", "1.1.0"],
        ["1.0.0", "1.1.0"], [], [], [],
    ]  # fmt: skip
    assert [entry["format"] for entry in entries()] == [2] * 6 + [1] + [2] * 2
    assert ["bootloader" in entry for entry in entries()] == [True] * 6 + [False] + [True] * 2
    _, first = added(EMPTY, draft(3))
    _, older = added(first.tip, draft(4)._replace(bootloader=Version(0, 9, 0)))
    _, other = added(older.tip, draft(5, variant="north"))
    assert [(f.variant, tuple(map(str, f.bootloaders))) for f in other.tip.least] == [
        ("", ("0.9.0", "1.1.0")), ("north", ("1.1.0", "1.1.0")),
    ]  # fmt: skip
    _, silent = added(other.tip, draft(6, variant="north"))
    assert [floor.bootloaders for floor in silent.tip.least] == [(), ()]


@pytest.mark.parametrize(
    ("numbers", "key", "expected"),
    [
        ({"sequence": 17}, "release.sequence", "above 18"),
        ({"sequence": 18}, "release.sequence", "above 18"),
        ({"sequence": 19, "counter": -1}, "component.motor.counter", "at least 0"),
    ],
)
def test_numbers_that_go_down_are_not_added(numbers: dict[str, int], key: str, expected: str) -> None:
    """RFC 9124 section 4.3.1 REQ.SEC.SEQUENCE; an equal sequence with another manifest is a second release."""
    with pytest.raises(GoingDownError) as caught:
        added(MADE[-1].tip, draft(30, **numbers))  # type: ignore[arg-type]
    assert caught.value.place.key == key
    assert expected in (caught.value.expected or "")
    assert caught.value.hint


def test_two_packages_of_one_release_have_an_order() -> None:
    both = draft(0)._replace(packages=draft(0, variant="south").packages + draft(0, variant="north").packages)
    _, step = added(EMPTY, both)
    assert isinstance(step.entry, Entry)
    assert [package.variant for package in step.entry.packages] == ["north", "south"]
    with pytest.raises(LogFormatError, match="one class and variant"):
        added(EMPTY, draft(0)._replace(packages=draft(0).packages * 2))


def test_nothing_is_added_that_would_not_be_read() -> None:
    with pytest.raises(LogFormatError, match="printable ASCII"):
        added(EMPTY, draft(0)._replace(vendor='quill"moor'))
    package = draft(0).packages[0]
    images = tuple(
        LoggedImage(1 + n // 3, "m", f"slot-{n}-{'x' * 50}", Version(1, 0, 0), 0, bytes(32), package.keys)
        for n in range(500)
    )
    packages = tuple(package._replace(variant=str(n), images=images) for n in range(3))
    with pytest.raises(LogFormatError, match="longer than imgseal reads"):
        added(EMPTY, draft(0)._replace(packages=packages))


@pytest.mark.parametrize(("images", "keys", "wrong"), [(512, 16, None), (513, 16, "images"), (512, 17, "keys")])
def test_how_much_a_package_of_an_entry_lists(images: int, keys: int, wrong: str | None) -> None:
    """At most 512 images and 16 keys each; docs/format/release-log.md."""
    named = tuple(bytes([n]) * 16 for n in range(keys))
    first = decode_entry(compact(entries()[0]))
    assert isinstance(first, Entry)
    package = first.packages[0]
    listed = tuple(
        LoggedImage(1 + n // 3, "m", f"s{n:03}", Version(1, 0, 0), 0, bytes(32), package.keys) for n in range(images)
    )
    entry = first._replace(packages=(package._replace(images=listed, keys=named),))
    if wrong is None:
        assert decode_entry(encode_entry(entry)) == entry
        return
    with pytest.raises(LogFormatError) as caught:
        decode_entry(encode_entry(entry))
    assert (caught.value.place.key or "").endswith(wrong)


Change = Callable[[dict[str, Any]], object]


def changed(index: int, change: Change) -> bytes:
    """The log with one line changed and everything else as it was."""
    tree = json.loads(LINES[index])
    change(tree)
    return b"\n".join([*LINES[:index], compact(tree), *LINES[index + 1 :]]) + b"\n"


def rewritten(index: int, change: Change) -> bytes:
    """The log with one entry changed and the tree worked out again: what an attacker with a text editor can do."""
    made = entries()
    change(made[index])
    return by_the_page(made)


FAULTS: list[tuple[str, bytes, type[ImgsealError], int, str]] = [
    ("entry changed", changed(3, lambda t: t["entry"].update(built=1)), LogError, 4, "does not continue"),
    ("root changed", changed(3, lambda t: t.update(root="00" * 32)), LogError, 4, "does not continue"),
    ("edge changed", changed(3, lambda t: t.update(edge=t["edge"][::-1])), LogError, 4, "does not continue"),
    ("edge shorter", changed(3, lambda t: t["edge"].pop()), LogError, 4, "does not continue"),
    ("offset changed", changed(3, lambda t: t.update(at=t["at"] + 1)), ForkError, 4, "another place"),
    ("line left out", b"\n".join(LINES[:3] + LINES[4:]) + b"\n", LogError, 4, "entries are missing"),
    ("line doubled", b"\n".join(LINES[:4] + LINES[3:]) + b"\n", ForkError, 5, "a second entry 3"),
    ("lines exchanged", b"\n".join([*LINES[:3], LINES[4], LINES[3], *LINES[5:]]) + b"\n", LogError, 4, "missing"),
    ("blank line", LOG + b"\n", LogFormatError, 10, "not JSON"),
    ("carriage returns", LOG.replace(b"\n", b"\r\n"), LogFormatError, 1, "another encoding"),
    ("blank behind", LOG.replace(b"}\n", b"} \n"), LogFormatError, 1, "another encoding"),
    ("mark of a merge", b"<<<<<<< HEAD\n" + LOG, ForkError, 1, "a merge has left its marks"),
    ("mark in the middle", b"\n".join([*LINES[:3], b"=======", *LINES[3:]]) + b"\n", ForkError, 4, "its marks"),
    ("not ASCII", LOG.replace(b"vent-drive", b"vent-driv\xe9", 1), LogFormatError, 1, "not JSON"),
    ("escaped text", LOG.replace(b"vent-drive", b"vent-driv\\u0065", 1), LogFormatError, 1, "another encoding"),
    ("doubled key", LOG.replace(b'"at":0,', b'"at":0,"at":0,', 1), LogFormatError, 1, "another encoding"),
    ("a number with a point", LOG.replace(b'"at":0,', b'"at":0.0,', 1), LogFormatError, 1, "not a value"),
    ("no number", LOG.replace(b'"at":0,', b'"at":NaN,', 1), LogFormatError, 1, "not a value"),
    ("true for a number", LOG.replace(b'"number":1,', b'"number":true,', 1), LogFormatError, 2, "not a value"),
    ("thousands of digits", LOG.replace(b'"at":0,', b'"at":' + b"9" * 5000 + b",", 1), LogFormatError, 1, "not JSON"),
    ("nested deeply", b"[" * 200_000 + b"\n", LogFormatError, 1, "not JSON"),
    ("line too long", b'"' + b"x" * LOG_LINE_BYTES + b'"\n', LogFormatError, 1, "longer than"),
    ("an array", b"[]\n", LogFormatError, 1, "not a value"),
    ("unknown key", changed(0, lambda t: t["entry"].update(more=1)), LogFormatError, 1, "unknown key"),
    ("missing key", changed(0, lambda t: t["entry"].pop("tool")), LogFormatError, 1, "this key is missing"),
    ("keys in another order", changed(0, lambda t: t.update(at=t.pop("at"))), LogFormatError, 1, "another order"),
    ("later format", changed(0, lambda t: t["entry"].update(format=4)), LogFormatError, 1, "of a later imgseal"),
    ("later format, no number", changed(0, lambda t: t["entry"].update(format="3")), LogFormatError, 1, "unknown key"),
    ("bare entry that states one", changed(6, lambda t: t["entry"].update(bootloader="1.0.0")), LogFormatError, 7, "unknown key"),
    ("stated entry without one", changed(0, lambda t: t["entry"].pop("bootloader")), LogFormatError, 1, "this key is missing"),
    ("one bootloader", changed(0, lambda t: t["entry"]["least"][0]["bootloaders"].pop()), LogFormatError, 1, "not a value"),
    ("bootloaders not in order", changed(3, lambda t: t["entry"]["least"][0]["bootloaders"].reverse()), LogFormatError, 4, "not a value"),
    ("an older bootloader forgotten", rewritten(4, lambda e: e["least"][0].update(bootloaders=["1.1.0", "1.1.0"])), LogError, 5, "other floors"),
    ("upper-case hex", changed(0, lambda t: t.update(root=t["root"].upper())), LogFormatError, 1, "not a value"),
    ("no version", changed(0, lambda t: t["entry"].update(version="2.4")), LogFormatError, 1, "not a value"),
    ("no packages", changed(0, lambda t: t["entry"].update(packages=[])), LogFormatError, 1, "not a value"),
    ("one key twice", changed(0, lambda t: t["entry"]["packages"][0].update(keys=["00" * 16] * 2)), LogFormatError, 1, "not a value"),
    ("packages not in order", changed(0, lambda t: t["entry"].update(packages=t["entry"]["packages"] * 2)), LogFormatError, 1, "not a value"),
    ("images not in order", changed(0, lambda t: t["entry"]["packages"][0]["images"].reverse()), LogFormatError, 1, "not a value"),
    ("counters not in order", changed(0, lambda t: t["entry"]["least"][0]["counters"].reverse()), LogFormatError, 1, "not a value"),
    ("sequence falls, tree right", rewritten(5, lambda e: e.update(sequence=1)), LogError, 6, "goes down"),
    ("sequence again, tree right", rewritten(5, lambda e: e.update(sequence=14)), LogError, 6, "used again"),
    ("counter falls, tree right", rewritten(5, lambda e: e["packages"][0]["images"][1].update(counter=2)), LogError, 6, "goes down"),
    ("floors wrong, tree right", rewritten(5, lambda e: e["least"][0].update(sequence=16)), LogError, 6, "other floors"),
    ("number wrong, tree right", rewritten(5, lambda e: e.update(number=4)), ForkError, 6, "a second entry 4"),
]  # fmt: skip


@pytest.mark.parametrize(("data", "kind", "line", "words"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS])
def test_what_does_not_follow_is_refused(data: bytes, kind: type[ImgsealError], line: int, words: str) -> None:
    with pytest.raises(ImgsealError) as caught:
        list(steps(data.split(b"\n")[:-1], "release.log"))
    assert type(caught.value) is kind, caught.value
    assert words in caught.value.message
    assert (caught.value.place.file, caught.value.place.line) == ("release.log", line)
    assert caught.value.hint
    assert caught.value.exit_status == (3 if kind is LogFormatError else 1)


def test_every_field_of_an_entry_counts() -> None:
    """Any leaf of the JSON changed to another legal value changes the hash: nothing in an entry is outside the tree."""

    def leaves(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        if isinstance(tree, dict | list):
            pairs = tree.items() if isinstance(tree, dict) else enumerate(tree)
            return [each for key, value in pairs for each in leaves(value, (*path, key))]
        return [path]

    places = leaves(entries()[8])
    assert len(places) > 30
    for place in places:
        tree = json.loads(LINES[8])
        parent = tree["entry"]
        for key in place[:-1]:
            parent = parent[key]
        value = parent[place[-1]]
        parent[place[-1]] = value + 1 if isinstance(value, int) else ("1" if value[:1] != "1" else "2") + value[1:]
        with pytest.raises((LogError, LogFormatError)):
            read(b"\n".join([*LINES[:8], compact(tree)]))


@pytest.mark.parametrize("shift", [-1, 1, 700])
def test_the_last_line_at_another_place_is_a_fork(shift: int) -> None:
    """What a merge of two sides leaves: the last line was written for a shorter file. Found from that line alone."""
    at = MADE[-2].tip.at
    assert resume(LINES[-1], at).size == 9
    with pytest.raises(ForkError, match="another place") as caught:
        resume(LINES[-1], at + shift)
    assert "--ours" in (caught.value.hint or "")


@pytest.mark.parametrize("change", [lambda t: t.update(root="00" * 32), lambda t: t["entry"].update(built=1),
                                    lambda t: t["edge"].append("00" * 32)])  # fmt: skip
def test_a_damaged_last_line_is_not_gone_on_from(change: Change) -> None:
    tree = json.loads(LINES[7])
    change(tree)
    with pytest.raises(LogError, match="does not continue"):
        resume(compact(tree), MADE[6].tip.at)


def test_a_merge_of_two_sides() -> None:
    """Both went on from entry 6: whichever way the lines come together, the log is refused with the cure."""
    base, (mine, theirs) = MADE[6].tip, (added(MADE[6].tip, draft(7)), added(MADE[6].tip, draft(8)))
    after = [line for line, _ in (mine, theirs)]
    assert after[0] != after[1]
    for order in (after, after[::-1]):
        with pytest.raises(ForkError, match="a second entry 7") as caught:
            read(b"\n".join([*LINES[:7], *order]))
        assert "take one side whole" in (caught.value.hint or "")
        with pytest.raises(ForkError):
            resume(order[1], base.at + len(order[0]) + 1)
    later, _ = added(theirs[1].tip, draft(9))
    with pytest.raises(LogError):
        read(b"\n".join([*LINES[:7], after[0], later]))


def test_class_is_told_apart_from_variant() -> None:
    package = draft(0).packages[0]
    other = package._replace(class_id=CLASS[::-1])
    _, step = added(EMPTY, draft(0)._replace(packages=(other, package)))
    assert [each.class_id for each in step.entry.least] == [CLASS, CLASS[::-1]]
