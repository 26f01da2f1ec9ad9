"""What of a layout devices in the field could not follow: the layout that the log remembers against another one.

Names of components, slots and memories are words for people, which no device knows; slots that nothing uses are none
of its business. All else is compiled into the bootloader, or decides where it looks (docs/decisions/054-layouts.md).
"""

from collections.abc import Iterator

from imgseal.formats.log.layout import LaidComponent, LaidSlot, Layout
from imgseal.records import NamedTuple


class Difference(NamedTuple):
    """One point: the key of the product file that says it, what the log remembers, and what it is now, in words.

    `mend` is how it becomes again what devices can follow.
    """

    key: str
    expected: str
    found: str
    mend: str = "put it back as it was"


def layout_differences(old: Layout, new: Layout) -> tuple[Difference, ...]:
    """Return in what `new` differs from `old` for a device that is laid out as `old`; empty where it can follow.

    `layout.revision` is no difference: it says that they may differ. Each key stands once.
    """
    found = [*_product(old, new), *_components(old, new), *_purposes(old, new)]
    return tuple({each.key: each for each in reversed(found)}.values())[::-1]


def _product(old: Layout, new: Layout) -> Iterator[Difference]:
    if old.class_name != new.class_name:
        yield Difference("product.class", old.class_name or "other words", new.class_name or "other words")
    holder = next((slot for slot in new.slots if slot.holds == "records"), None)
    if holder is not None and old.records != new.records:
        yield Difference(f"slot.{holder.name}.holds", f"records of format {old.records}", f"of format {new.records}")


def _components(old: Layout, new: Layout) -> Iterator[Difference]:
    before = {part.number: part for part in old.components}
    after = {part.number: part for part in new.components}
    names = {part.name: part for part in old.components}
    moved = set()
    for part in new.components:
        known, same = before.get(part.number), names.get(part.name)
        inside = [] if known is None else list(_component(old, known, new, part))
        if same is not None and same.number != part.number and (known is None or inside):
            moved.add(same.number)
            yield Difference(f"component.{part.name}.number", str(same.number), str(part.number))
            yield from _component(old, same, new, part)
        elif known is None:
            yield Difference(
                f"component.{part.name}.number",
                f"one of {', '.join(map(str, before))}: devices refuse an image of any other component, and their "
                "install records have no member for it",
                f"{part.number}, a component that is new",
                "take the component out here, or give it the number of one that devices have",
            )
        else:
            yield from inside
    for part in old.components:
        if part.number not in after and part.number not in moved:
            yield Difference(
                f"component.{part.name}",
                f"number {part.number}",
                "no such component",
                "put it back, since devices have it and go on judging it; a release may leave out its firmware",
            )


def _component(old: Layout, was: LaidComponent, new: Layout, now: LaidComponent) -> Iterator[Difference]:
    for key in ("kind", "core", "header_block"):
        old_value, value = getattr(was, key), getattr(now, key)
        if old_value != value:
            yield Difference(f"component.{now.name}.{key}", str(old_value or "none"), str(value or "none"))
    yield from _slots(old, tuple(dict(was.run)), new, tuple(dict(now.run)), f"component.{now.name}.run")
    yield from _slots(old, was.header, new, now.header, f"component.{now.name}.header")
    if (was.header_block, bool(was.header)) == (now.header_block, bool(now.header)):
        for (slot, before), (other, link) in zip(_linked(old, was), _linked(new, now), strict=False):
            if link - other.address != before - slot.address:
                yield Difference(f"component.{now.name}.run", f"linked for 0x{before:08x}", f"0x{link:08x}")
    for key in ("staging", "keep"):
        slots = [(name,) if name else () for name in (getattr(was, key), getattr(now, key))]
        yield from _slots(old, slots[0], new, slots[1], f"component.{now.name}.{key}")


def _slots(old: Layout, known: tuple[str, ...], new: Layout, names: tuple[str, ...], key: str) -> Iterator[Difference]:
    """Compare slots in their order: which is the first and which the second is what packages say."""
    before, after = _named(old, known), _named(new, names)
    pairs = list(zip(before, after, strict=False))
    if len(known) != len(names) or any(_another(*pair) for pair in pairs):
        yield Difference(key, *(", ".join(map(_words, slots)) or "none" for slots in (before, after)))
        pairs = [(was, now) for was in before for now in after if was.name == now.name]
    for was, now in pairs:
        yield from _slot(was, now)


def _named(layout: Layout, names: tuple[str, ...]) -> list[LaidSlot]:
    return [slot for name in names for slot in layout.slots if slot.name == name]


def _linked(layout: Layout, part: LaidComponent) -> Iterator[tuple[LaidSlot, int]]:
    links = dict(part.run)
    return ((slot, links[slot.name]) for slot in _named(layout, tuple(links)))


def _another(was: LaidSlot, now: LaidSlot) -> bool:
    """Say whether this is another slot, and not the same one that was moved or renamed."""
    return was.name != now.name and (was.address, was.size) != (now.address, now.size)


def _slot(was: LaidSlot, now: LaidSlot) -> Iterator[Difference]:
    """Compare two slots of one purpose; where the whole memory has moved, that is what is said."""
    if was.address != now.address:
        whole = was.memory == now.memory and was.address - was.base == now.address - now.base
        key, values = (
            (f"memory.{now.memory}.base", (was.base, now.base))
            if whole
            else (f"slot.{now.name}.at", (was.address, now.address))
        )
        yield Difference(key, f"{'' if whole else 'first byte at '}0x{values[0]:08x}", f"0x{values[1]:08x}")
    if was.size != now.size:
        yield Difference(f"slot.{now.name}.size", f"{was.size} bytes", f"{now.size} bytes")


def _purposes(old: Layout, new: Layout) -> Iterator[Difference]:
    before, after = ({slot.holds: slot for slot in layout.slots if slot.holds} for layout in (old, new))
    for what in sorted({*before, *after}):
        was, now = before.get(what), after.get(what)
        if was is None or now is None or _another(was, now):
            name = (now or was or old.slots[0]).name
            yield Difference(
                f"slot.{name}.holds",
                f"no slot for {what}" if was is None else f"{what} in {_words(was)}",
                f"no slot for {what}" if now is None else _words(now),
            )
        else:
            yield from _slot(was, now)


def _words(slot: LaidSlot) -> str:
    return f"{slot.name}: {slot.size} bytes at 0x{slot.address:08x}"
