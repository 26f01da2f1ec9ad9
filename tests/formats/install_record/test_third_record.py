"""Install records read and written by a second implementation that follows the page alone and imports nothing of imgseal.

The source of truth is docs/format/install-record.md: the bytes of a record, which record of a slot counts, and how it is copied, over
flash that power cuts have torn.
"""

import contextlib
import dataclasses
import functools
import random
import re
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, ClassVar

import pytest
import test_journal
import third_record
from failing_storage import behind, flips, violated
from histories import history
from hypothesis import given
from hypothesis import strategies as st
from long_runs import long
from stages import PRODUCTS, on_units, pair, pair_of, text_of
from test_planted_faults import Attacked
from test_record import NUMBERS, RECORDS, signed

from imgseal.formats.install_record.layout import FIELDS
from imgseal.formats.install_record.record import PHASES, Member, Record, decode, encode
from imgseal.formats.install_record.room import COPIES, record_bytes
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.rehearse.contents import Block
from imgseal.rehearse.flash import Flash, FlashReadError, PowerCutError
from imgseal.rehearse.journal import Journal, NoPlaceError
from imgseal.rehearse.life import Programs
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.play import rehearse

ZEROS = bytes(32)
PAGE = (Path(__file__).parents[3] / "docs" / "format" / "install-record.md").read_text()
GEOMETRY = third_record.Geometry(
    bytes.fromhex(re.findall(r"letters `records`: `([0-9a-f ]{23})`", PAGE)[0]), NUMBERS, 2048
)
"""The magic is the page's."""


def theirs(record: Record, numbers: tuple[int, ...]) -> third_record.Record:
    """A record of ours as a value of the second reader."""

    def members(of: Any) -> tuple[third_record.Member, ...]:
        return tuple(
            third_record.Member(number, of[number].slot, of[number].statement) if number in of else third_record.Member(number)
            for number in numbers
        )  # fmt: skip

    values = record._asdict()
    values.update(current=members(record.current), other=members(record.other))
    values.update({name: values[name] or ZEROS for name in ("manifest_digest", "target_digest")})
    return third_record.Record(**values)


def read_by_them(data: bytes, geometry: third_record.Geometry = GEOMETRY) -> third_record.Record | None:
    try:
        return third_record.decode(data, geometry)
    except third_record.NoRecordError:
        return None


def plain(record: Record, numbers: tuple[int, ...]) -> Record:
    """Without bits of no component, which nobody writes."""
    every = (1 << len(numbers)) - 1
    return record._replace(prepared=record.prepared & every, kept=record.kept & every, placed=record.placed & every)


@given(RECORDS.map(lambda record: plain(record, NUMBERS)))
def test_both_write_and_read_the_same(record: Record) -> None:
    data = encode(record, NUMBERS)
    assert len(data) == GEOMETRY.record_length
    assert read_by_them(data) == theirs(record, NUMBERS)
    assert third_record.encode(theirs(record, NUMBERS), GEOMETRY) == data


@given(RECORDS, st.data())
def test_both_refuse_the_same(record: Record, data: st.DataObject) -> None:
    """A byte changed: without a new check nobody reads it; with one, both read the same or neither reads it."""
    raw = bytearray(encode(record, NUMBERS))
    at = data.draw(st.integers(0, len(raw) - 33))
    raw[at] = data.draw(st.integers(0, 255).filter(lambda value: value != raw[at]))
    assert (decode(bytes(raw), NUMBERS), read_by_them(bytes(raw))) == (None, None)
    ours = decode(signed(bytes(raw)), NUMBERS)
    assert read_by_them(signed(bytes(raw))) == (None if ours is None else theirs(ours, NUMBERS))


def test_what_reads_though_nobody_writes_it() -> None:
    """Bits of no component, a recovery image in a set, a statement of zeros: both read them, the other encoder writes none of the first two."""
    offsets = {field.name: field.offset for field in FIELDS}
    geometry = third_record.Geometry(GEOMETRY.magic, NUMBERS, 2048, recovery=NUMBERS[1])
    raw = encode(empty(), NUMBERS)
    assert third_record.encode(theirs(empty(), NUMBERS), geometry) == raw
    recovery = {"current": {NUMBERS[1]: Member(0, bytes(32))}}
    for at, value, fields in (
        (offsets["prepared"], 8, {"prepared": 8}),
        (offsets["kept"] + 3, 1, {"kept": 1 << 24}),
        (offsets["placed"], 9, {"placed": 9}),
        (240 + 36 + 1, 0, recovery),
    ):
        data = signed(raw[:at] + bytes([value]) + raw[at + 1 :])
        record = empty()._replace(**fields)
        assert decode(data, NUMBERS) == record
        assert read_by_them(data, geometry) == theirs(record, NUMBERS)
        with pytest.raises(ValueError, match="nobody writes"):
            third_record.encode(theirs(record, NUMBERS), geometry)
    zeros = empty()._replace(current={NUMBERS[0]: Member(1, bytes(32))})
    assert read_by_them(encode(zeros, NUMBERS), geometry) == theirs(zeros, NUMBERS)
    assert decode(encode(zeros, NUMBERS), NUMBERS) == zeros


def empty() -> Record:
    return Record(1, 1, 0, 0, 0, 0, 0, 0, 0, 0, None, 0, None, False, False, (), {}, {})


class Compared(Journal):
    """Our journal, which asks the second reader about the very bytes that it has read itself.

    Torn flash reads otherwise each time, so the slot is put together from what our scan saw of it.
    """

    reader: ClassVar[Any] = third_record
    seen: ClassVar[dict[str, int]] = {}
    records: ClassVar[dict[tuple[tuple[int, ...], bytes], Record]] = {}
    written: ClassVar[set[tuple[Any, Any]]] = set()
    """Records before and after each commit, as values of the second reader."""

    def open(self) -> Record | None:
        components = self._components
        self.read_pieces: dict[tuple[int, int], bytes] = {}
        self.done: list[tuple[str, int]] = []
        geometry = self.reader.Geometry(
            GEOMETRY.magic, components, self._memory.erase_block, write_unit=self._memory.write_unit
        )
        try:
            record = super().open()
        except (PowerCutError, NoPlaceError) as ended:
            self.compare(geometry, None, finished=isinstance(ended, NoPlaceError))
            raise
        self.compare(geometry, record, finished=True)
        return record

    def commit(self, record: Record) -> Record:
        before = self.record
        written = super().commit(record)
        if before is not None:
            self.written.add((theirs(before, self._components), theirs(written, self._components)))
        self.records[self._components, encode(written, self._components)] = written
        return written

    def _read(self, place: int, copy: int) -> Record | None:
        """Read once, keep the bytes, and decode them as the journal does."""
        try:
            data = self._bytes(place, copy)
        except FlashReadError:
            data = b"\xff" * record_bytes(len(self._components))
        content = data[:-32].ljust(self._check, b"\xff")
        self.read_pieces[place, copy] = (content + data[-32:]).ljust(self._copy_size, b"\xff")
        return decode(data, self._components)

    def _erase(self, place: int) -> None:
        self.done.append(("erase", place))
        super()._erase(place)

    def _write(self, place: int, record: Record) -> bool:
        self.done.append(("write", place))
        return super()._write(place, record)

    def compare(self, geometry: Any, record: Record | None, *, finished: bool) -> None:
        assert geometry.place_length == self._size
        slot = b"".join(
            b"".join(self.read_pieces[place, copy] for copy in range(COPIES)).ljust(self._size, b"\xff")
            for place in range(self._places)
        )
        state, steps = self.reader.read_slot(slot, geometry), self.reader.copying(slot, geometry)
        what = self._what(state, steps)
        self.seen[what] = self.seen.get(what, 0) + 1
        done = self.done
        if steps is None:
            assert finished
            assert done == []
            if record is None:
                assert state is None
            else:
                assert (vars(state.record), state.place) == (vars(theirs(record, self._components)), self._place)
            return
        wanted = [("erase", place) for place in steps.erase_before]
        if steps.place is not None:
            wanted += [("write", steps.place), *(("erase", place) for place in steps.erase_after)]
        assert done == wanted[: len(done)]
        if not finished:
            return
        assert done == wanted
        assert (record is None) == (steps.place is None)
        if record is None:
            return
        assert vars(steps.record) == vars(theirs(record, self._components))

    @staticmethod
    def _what(state: Any, steps: Any) -> str:
        if state is None:
            return "none"
        if steps is None:
            return "acted upon"
        return f"copied, {'whole' if state.three_equal else 'torn'}, {'again' if state.record.copied else 'first'}"


@pytest.fixture
def compared() -> type[Compared]:
    class Fresh(Compared):
        seen: ClassVar[dict[str, int]] = {}
        records: ClassVar[dict[tuple[tuple[int, ...], bytes], Record]] = {}
        written: ClassVar[set[tuple[Any, Any]]] = set()

    return Fresh


def play(journal: type[Compared], monkeypatch: pytest.MonkeyPatch) -> None:
    """Histories with power cuts, rehearsals of all small products with pairs of cuts, and many cuts in a row."""
    for number in range(150):
        history(f"third {number}", Programs(journal=journal))
    for name in PRODUCTS:
        stage, package = pair(name).stage, pair(name).package
        played = rehearse(stage, package, pairs=150, seed="third", programs=Programs(journal=journal))
        assert played.violation is None, played.violation
    wide = pair_of(on_units("two cores", 256))
    assert (
        rehearse(wide.stage, wide.package, pairs=150, seed="third", programs=Programs(journal=journal)).violation
        is None
    )
    stage, package = pair("staged outside, kept").stage, pair("staged outside, kept").package
    rehearse(stage, package, pairs=0, seed="third", programs=Programs(journal=journal, bootloader=Attacked))
    assert violated(behind("two cores"), Programs(journal=journal)) is None
    assert violated(flips("two run slots"), Programs(journal=journal)) is None
    # what these programs write are no records of a device's life
    monkeypatch.setattr(test_journal, "Journal", type("Counting", (journal,), {"written": set()}))
    for number in range(300):
        wear = test_journal.begun(f"third {number}")
        for _ in range(12):
            wear.program(1, wear.noise.below(14))


def scattered() -> Iterator[Flash]:
    """Places that hold whatever records in whatever copies, more of it than cuts can make."""
    of = roomy()
    slot = of.slot_holding("records")
    assert slot is not None
    rng = random.Random("scatter")
    for _ in range(2000):
        pool = [
            empty()._replace(generation=number, base=rng.randrange(number), copied=rng.randrange(3))
            for number in (rng.randrange(1, 5) for _ in range(4))
        ]
        flash = Flash(of, {}, Noise("scatter"))
        for place in range(4):
            one, two = rng.choice(pool), rng.choice(pool)
            copies = rng.choice(
                ([one] * 3, [one, one, None], [one, None, None], [None, one, one], [None] * 3, [one, two, two])
            )
            data = b"".join(b"\xff" * 352 if copy is None else encode(copy, of.numbers) for copy in copies)
            if any(copies):
                block = Block(data.ljust(2048, b"\xff"), (1 << len(data) // 8) - 1, 0, False)
                flash.blocks["internal", slot.at // 2048 + place] = block
        yield flash


@functools.cache
def roomy() -> Product:
    """A product with room for four places."""
    return read(text_of("two run slots").replace('size = "6 KiB"', 'size = "8 KiB"'), name="x")


def scatter(journal: type[Compared]) -> None:
    for flash in scattered():
        with contextlib.suppress(NoPlaceError):
            journal(flash, roomy()).open()


@long
def test_both_choose_the_same_record(compared: type[Compared], monkeypatch: pytest.MonkeyPatch) -> None:
    """At every reset both find the same record in the same bytes, and copy it with the same operations."""
    play(compared, monkeypatch)
    assert compared.seen["acted upon"] > 1000
    for what in ("copied, whole, first", "copied, torn, first", "copied, whole, again", "copied, torn, again"):
        assert compared.seen[what] >= 5, compared.seen
    assert len(compared.records) > 500
    for (numbers, data), record in compared.records.items():
        geometry = third_record.Geometry(GEOMETRY.magic, numbers, 2048)
        assert read_by_them(data, geometry) == theirs(record, numbers)
        assert third_record.encode(theirs(record, numbers), geometry) == data
    told: Counter[str] = Counter()
    for before, after in compared.written:
        names = [row[0] for row in ROWS if tells(row, before, after)]
        assert names, (before, after)
        told.update(names)
    assert [row[0] for row in ROWS if not told[row[0]]] == []


ROWS: list[tuple[str, ...]] = re.findall(
    r"^\| ([a-z ]+) \| (\d) " + r"\| (\S+) " * 8 + r"\| (.*?) ?\|$",
    PAGE.split("## What each record holds")[1],
    re.MULTILINE,
)
"""The page's table of what each record holds."""


def tells(row: tuple[str, ...], before: Any, after: Any) -> bool:
    """Whether a row of the table tells what was written."""
    _, phase, current, other, target, starts, prepared, kept, placed, trial, besides = row
    nothing = tuple(third_record.Member(member.component) for member in before.current)
    sets = {"0": nothing, "current": before.current, "other": before.other, "+": before.other}
    sets["known"] = tuple(
        dataclasses.replace(member, statement=ZEROS) if before.kept >> bit & 1 else member
        for bit, member in enumerate(before.current)
    )
    wanted = {name: getattr(before, name) for name in ("sequence", "manifest_digest", "recovery", "refused")}
    wanted["unraised"] = (
        after.unraised if "`unraised` new" in besides else before.unraised and "`unraised` 0" not in besides
    )
    besides = besides.partition(", ")[0].replace("`unraised` 0", "")
    if besides == "`refused` + target":
        wanted["refused"] = (*before.refused, before.target_digest)[-4:]
    elif besides == "sequence and digest of the target":
        wanted.update(sequence=before.target_sequence, manifest_digest=before.target_digest)
    elif besides:
        wanted["recovery"] = {"`recovery` 0": False, "`recovery` 1": True}[besides]
    wanted.update(phase=int(phase), generation=before.generation + 1, base=before.generation, copied=0)
    for name, cell in (("current", current), ("other", other)):
        wanted[name] = getattr(before, name) if cell == "=" else sets[cell]
    if other == "+":
        bit = (after.prepared ^ before.prepared).bit_length() - 1
        wanted["other"] = (*before.other[:bit], after.other[bit], *before.other[bit + 1 :])
    for names, cell in (
        (("target_sequence", "target_digest"), target),
        (("attempts", "power_ons"), starts),
        (("prepared",), prepared),
        (("kept",), kept),
        (("placed",), placed),
        (("trial",), trial),
    ):
        for name in names:
            was, now = getattr(before, name), getattr(after, name)
            zero = type(was)() if not isinstance(was, bytes) else ZEROS
            wanted[name] = {"=": was, "0": zero, "1": True, "new": now, "+": now, "-": now}[cell]
    added = [
        (after.prepared, before.prepared, prepared),
        (after.kept, before.kept, kept),
        (after.placed, before.placed, placed),
    ]
    if any(cell == "+" and (now & was != was or (now ^ was).bit_count() != 1) for now, was, cell in added):
        return False
    if any(cell == "-" and now | was != was for now, was, cell in added):
        return False
    if starts == "+" and after.attempts + after.power_ons != before.attempts + before.power_ons + 1:
        return False
    return bool(vars(after) == wanted)


def test_the_page_has_this_record() -> None:
    """The worked record of the page, read by both and written by both."""
    data = bytes.fromhex("".join(re.findall(r"^[0-9a-f]{64}$", PAGE, re.MULTILINE)))
    record, geometry = decode(data, (1, 2)), third_record.Geometry(GEOMETRY.magic, (1, 2), 2048)
    assert record is not None
    assert PHASES[record.phase] == "trial"
    assert (record.generation, record.base, record.attempts, record.power_ons, record.kept) == (42, 41, 1, 2, 2)
    assert (record.sequence, record.target_sequence, record.refused) == (9, 10, (b"\x77" * 32,))
    assert record.current == {1: Member(1, b"\x11" * 32), 2: Member(0, b"\x22" * 32)}
    assert record.other == {1: Member(0, b"\x33" * 32), 2: Member(0, b"\x44" * 32)}
    assert encode(record, (1, 2)) == data
    assert third_record.encode(theirs(record, (1, 2)), geometry) == data
    assert read_by_them(data, geometry) == theirs(record, (1, 2))


def test_both_choose_the_same_record_of_any_slot(compared: type[Compared]) -> None:
    scatter(compared)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("copied if self.three_equal else -copied", "copied"),
        ("best.three_equal and len(found) == 1", "best.three_equal"),
        ("(one.copies, *one.rank[:3])", "one.rank[:3]"),
        ("(one.copies, *one.rank[:3])", "one.copies"),
        ("state.three_equal or place not in shown", "True or place not in shown"),
        ("[*every[state.place + 1 :], *every[: state.place]]", "[*every[: state.place], *every[state.place + 1 :]]"),
        ("max(records, key=lambda record: record.generation)", "records[0]"),
        (
            "max(records, key=lambda record: record.generation)",
            "max(reversed(records), key=lambda record: record.generation)",
        ),
    ],
)
def test_the_comparison_can_fail(
    right: str, wrong: str, compared: type[Compared], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second reader with a mistake planted in it disagrees."""
    source = Path(third_record.__file__).read_text()
    assert source.count(right) == 1
    mutant = ModuleType("mutant")
    monkeypatch.setitem(sys.modules, "mutant", mutant)
    exec(compile(source.replace(right, wrong), "mutant", "exec"), mutant.__dict__)
    compared.reader = mutant
    with pytest.raises(AssertionError):
        scatter(compared)
