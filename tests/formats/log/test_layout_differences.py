"""What devices in the field could not follow is named by its key; what they do not know of may change.

Every value of a layout is changed in turn, and every pair of these changes; the rows say what each is, not the code.
"""

import itertools
import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from workshop import detached_radio, product

from imgseal.errors import InputError
from imgseal.formats.log.layout import LAYOUT, LaidComponent, LaidSlot, Layout
from imgseal.formats.log.layout_differences import layout_differences
from imgseal.records import NamedTuple
from imgseal.values import Document
from imgseal.workspace.log_entries import layout_of

DEMO = layout_of(product())
DETACHED = layout_of(product(detached_radio))
FREE: tuple[str, ...] = ()


class Change(NamedTuple):
    """One value that is another one; the keys that have to be named, none where devices do not know of it."""

    what: str
    make: Callable[[Layout], Layout]
    keys: tuple[str, ...]
    about: str = ""  # whose name it changes


def keys(old: Layout, new: Layout) -> set[str]:
    return {each.key for each in layout_differences(old, new)}


def with_part(layout: Layout, which: int, /, **values: Any) -> Layout:
    parts = [part._replace(**values) if part.number == which else part for part in layout.components]
    return layout._replace(components=tuple(sorted(parts)))


def with_slot(layout: Layout, which: str, /, **values: Any) -> Layout:
    slots = [slot._replace(**values) if slot.name == which else slot for slot in layout.slots]
    return layout._replace(slots=tuple(sorted(slots)))


def moved(layout: Layout, which: str) -> Layout:
    """Return a layout with a slot elsewhere, and what runs there linked for it."""
    by = 0x1_0000
    parts = [
        part._replace(run=tuple((slot, link + by * (slot == which)) for slot, link in part.run))
        for part in layout.components
    ]
    address = next(slot.address for slot in layout.slots if slot.name == which) + by
    return with_slot(layout, which, address=address)._replace(components=tuple(parts))


def renamed(layout: Layout, old: str, new: str) -> Layout:
    """Return a layout with another name of a slot, wherever it stands."""

    def name(each: str) -> str:
        return new if each == old else each

    parts = [
        part._replace(
            run=tuple((name(slot), link) for slot, link in part.run),
            header=tuple(map(name, part.header)),
            staging=name(part.staging),
            keep=name(part.keep),
        )
        for part in layout.components
    ]
    return with_slot(layout, old, name=new)._replace(components=tuple(parts))


def changes(base: Layout) -> Iterator[Change]:
    """Every value of every field, and parts that are added and taken away."""
    yield Change("class", lambda at: at._replace(class_name="vent-drive-3"), ("product.class",))
    yield Change("revision", lambda at: at._replace(revision=1), FREE)
    yield Change("records", lambda at: at._replace(records=at.records + 1), ("slot.records.holds",))
    used = in_use(base)
    for part in base.components:
        yield from of_component(base, part)
    for slot in base.slots:
        yield from of_slot(slot, known=f"slot.{slot.name}" in used)
    more = LaidComponent(99, "more", "data", "", 1024, ((base.slots[0].name, 0),), (), "", "")
    yield Change(
        "component added", lambda at: at._replace(components=(*at.components, more)), ("component.more.number",)
    )
    slot = LaidSlot("zz", "nor", 0x6000_0000, 0x6200_0000, 0x1_0000, "")
    yield Change("slot added", lambda at: at._replace(slots=(*at.slots, slot)), FREE)
    package = slot._replace(holds="package")
    yield Change("purpose added", lambda at: at._replace(slots=(*at.slots, package)), ("slot.zz.holds",))


def in_use(layout: Layout) -> set[str]:
    """Return the tables that a device knows of: its components, and slots that they use or that have a purpose."""
    slots = {slot.name for slot in layout.slots if slot.holds}
    for part in layout.components:
        slots |= {*dict(part.run), *part.header, part.staging, part.keep}
    return {f"slot.{name}" for name in slots} | {f"component.{part.name}" for part in layout.components}


def of_component(base: Layout, part: LaidComponent) -> Iterator[Change]:
    number, table = part.number, f"component.{part.name}"

    def other(key: str, value: Any, *keys: str) -> Change:
        return Change(f"{part.name} {key}", lambda at: with_part(at, number, **{key: value}), keys, table)

    yield other("number", 50 + number, f"{table}.number")
    yield Change(f"{part.name} name", lambda at: with_part(at, number, name=f"{part.name}-x"), FREE, table)
    yield other("kind", "data" if part.kind == "code" else "code", f"{table}.kind")
    yield other("core", "cortex-m33", f"{table}.core")
    yield other("header_block", part.header_block + 128, f"{table}.header_block")
    spare = next(slot.name for slot in base.slots if slot.holds == "" and slot.name not in dict(part.run))
    for index, (name, link) in enumerate(part.run):
        for which, pair in (("slot", (spare, link)), ("link address", (name, link + 0x100))):
            run = (*part.run[:index], pair, *part.run[index + 1 :])
            yield other("run", run, f"{table}.run")._replace(what=f"{part.name} {which} {index}")
    yield other("run", (part.run[0], (spare, 1))[: 3 - len(part.run)], f"{table}.run")
    yield other("header", () if part.header else (spare,), f"{table}.header")
    for key in ("staging", "keep"):
        yield other(key, "" if getattr(part, key) else spare, f"{table}.{key}")
    yield Change(
        f"{part.name} taken away",
        lambda at: at._replace(components=tuple(each for each in at.components if each.number != number)),
        (table,),
        table,
    )


def of_slot(slot: LaidSlot, *, known: bool) -> Iterator[Change]:
    def other(key: str, value: Any, *keys: str) -> Change:
        return Change(
            f"{slot.name} {key}", lambda at: with_slot(at, slot.name, **{key: value}), keys, f"slot.{slot.name}"
        )

    name = slot.name
    yield Change(f"{name} name", lambda at: renamed(at, name, f"{name}-x"), FREE, f"slot.{name}")
    yield other("memory", "elsewhere")
    yield other("base", slot.base + 0x100)
    yield Change(f"{name} address", lambda at: moved(at, name), (f"slot.{name}.at",) if known else FREE, f"slot.{name}")
    yield other("size", slot.size + 0x1000, *([f"slot.{name}.size"] if known else []))
    yield other("holds", "" if slot.holds else f"purpose of {name}", f"slot.{name}.holds")


EVERY = [(base, change) for base in (DEMO, DETACHED) for change in changes(base)]


@pytest.mark.parametrize(("base", "change"), EVERY, ids=lambda value: getattr(value, "what", ""))
def test_every_value_changed_in_turn(base: Layout, change: Change) -> None:
    assert layout_differences(base, base) == ()
    new = change.make(base)
    assert new != base
    found = layout_differences(base, new)
    assert {each.key for each in found} == set(change.keys)
    assert all(each.expected != each.found for each in found)
    assert keys(base, base) == keys(new, new) == set()
    assert bool(keys(new, base)) == bool(change.keys), "the other way round it is one as well"


def test_every_pair_of_changes() -> None:
    """Two changes never hide each other: what either names is named."""
    tried = 0
    for one, two in itertools.combinations(changes(DEMO), 2):
        if one.about == two.about != "":
            continue
        new = two.make(one.make(DEMO))
        tried += 1
        found = {key.replace("-x", "") for key in keys(DEMO, new)}  # by the name of before
        missing = {key for key in {*one.keys, *two.keys} - found if key.rpartition(".")[0] in in_use(new)}
        assert not missing, (one.what, two.what, missing, found)
    assert tried > 5000


@pytest.mark.parametrize(("format_", "is_one"), [(0, False), (1, True), (255, True), (256, False)])
def test_a_record_format_is_one_byte(format_: int, is_one: bool) -> None:
    """The format of an install record has two bytes, of which the log takes one; docs/format/install-record.md."""
    document = Document(InputError, None)
    said = json.dumps(LAYOUT.write(DEMO._replace(records=format_)))
    if is_one:
        assert LAYOUT.read(document.node(said, "layout")).records == format_
    else:
        with pytest.raises(InputError, match="records"):
            LAYOUT.read(document.node(said, "layout"))
