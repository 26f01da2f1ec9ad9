"""Wear and time of one undisturbed installation, from the erase and program times that the product file states.

Keeping the package in a flash slot of its own, as it arrives, is a part of it; docs/device-code.md. So is making images
of what was delivered; docs/format/delivery.md, "How long it takes".
"""

from collections import Counter
from collections.abc import Mapping

from imgseal.formats.suit import delivery
from imgseal.product.model import Component, Memory, Product
from imgseal.product.waiting import ENTRY_BYTES, room_for_package
from imgseal.records import NamedTuple
from imgseal.rehearse.counters import Step
from imgseal.rehearse.flash import Operation
from imgseal.rehearse.slots import Sealed

Worked = tuple[Operation | Step, bool]
"""An operation, and whether the product was down while it ran."""


class MemoryUse(NamedTuple):
    """What an installation does to one memory.

    Seconds are typical and longest, None where the product file states no times. `erased` counts the erases of each
    block by its offset in the memory, `most` is the highest of them, `updates` how many such updates the endurance
    allows.
    """

    memory: str
    erases: int
    erased: Mapping[int, int]
    most: int
    programs: int
    bytes_written: int
    seconds: tuple[float, float] | None
    down_seconds: tuple[float, float] | None
    updates: int | None


class BootTime(NamedTuple):
    """What judging one component takes at each boot, and what it would take with every `judged` choice; in seconds.

    `first` is what the boot takes that verifies signatures: each one, or with at_boot = "digest" the first of a set.
    """

    component: str
    judged: str
    payload: int
    seconds: float
    by_choice: Mapping[str, float]
    first: float


class Making(NamedTuple):
    """How many images the device makes, and how long that takes at most; None where nothing says how fast it is."""

    images: int
    seconds: float | None


MADE, BY_SHARE = 2.5, 10.0
"""Making an image takes so many times as long as hashing it, and so much more by the share that has travelled of it.

The bar that `tests/bench/bench_delta.py` holds seal_delta.c to, on a Cortex-M4: 2.4 was measured of fixes, 95
instructions a byte.
"""


class Estimate(NamedTuple):
    """Sums over all memories, and the limits of the product file that are exceeded, in words."""

    operations: int
    memories: tuple[MemoryUse, ...]
    seconds: tuple[float, float] | None
    down_seconds: tuple[float, float] | None
    boots: tuple[BootTime, ...] | None
    boot_seconds: float | None
    making: Making
    warnings: tuple[str, ...]


def estimate(
    product: Product, size: int, worked: list[Worked], images: Mapping[int, Sealed], boots: int,
    steps: tuple[delivery.Step, ...] = (),
) -> Estimate:  # fmt: skip
    """Estimate from the operations of a run, and of keeping the package, of `size` bytes, where it has a slot.

    `images` are those of the resulting set, `boots` the resets in the run, `steps` what makes images on the device.
    """
    worked = [*((operation, False) for operation in keeping(product, size)), *worked]
    uses = []
    for memory in product.memories.values():
        mine = [(w, down) for w, down in worked if isinstance(w, Operation) and w.memory == memory.name]
        if mine:
            uses.append(_use(memory, mine))
    times = boot_times(product, images)
    boot = None if times is None else sum(t.seconds for t in times)
    total = _sum([use.seconds for use in uses])
    down = _sum([use.down_seconds for use in uses])
    if times is not None and down is not None and total is not None:
        first = boots * sum(t.first for t in times)  # an update changes the set: none of its boots counts on a mark
        down = down[0] + first, down[1] + first
        total = total[0] + first, total[1] + first
    making = _making(product, images, steps)
    if making.seconds is not None and total is not None:  # the product runs meanwhile
        total = total[0] + making.seconds, total[1] + making.seconds
    warnings = []
    limits = product.limits
    for what, limit, value in (
        ("down_time: the product stands still for", limits.down_time, None if down is None else down[1]),
        ("update_time: the update takes", limits.update_time, None if total is None else total[1]),
        ("boot_time: judging at each boot takes", limits.boot_time, boot),
    ):
        if limit is not None and value is not None and value > limit:
            warnings.append(f"limits.{what} up to {value:.1f} s, {limit:g} s are allowed")
        elif limit is not None and value is None:
            warnings.append(
                f"limits.{what.split(':')[0]} cannot be held: erase_ms, program_us, hash_rate or verify_ms is missing"
            )
    room = room_for_package(product)
    if room is not None and size > room:
        warnings.append(f"the package has {size} bytes, the slot that keeps it room for {room}")
    return Estimate(len(worked), tuple(uses), total, down, times, boot, making, tuple(warnings))


def _use(memory: Memory, mine: list[tuple[Operation, bool]]) -> MemoryUse:
    erased = Counter(operation.at for operation, _ in mine if operation.data is None)
    written = [len(operation.data) for operation, _ in mine if operation.data is not None]
    most = max(erased.values(), default=0)
    updates = None if memory.endurance is None or not most else memory.endurance // most
    return MemoryUse(
        memory.name, erased.total(), dict(sorted(erased.items())), most, len(written), sum(written),
        _seconds(memory, mine), _seconds(memory, [entry for entry in mine if entry[1]]), updates,
    )  # fmt: skip


def _seconds(memory: Memory, mine: list[tuple[Operation, bool]]) -> tuple[float, float] | None:
    if memory.erase_ms is None or memory.program_us is None:
        return None
    erases = sum(operation.data is None for operation, _ in mine)
    programs = len(mine) - erases
    typical, longest = (
        erases * memory.erase_ms[index] / 1e3 + programs * memory.program_us[index] / 1e6 for index in range(2)
    )
    return typical, longest


def _sum(pairs: list[tuple[float, float] | None]) -> tuple[float, float] | None:
    known = [pair for pair in pairs if pair is not None]
    return (sum(p[0] for p in known), sum(p[1] for p in known)) if len(known) == len(pairs) else None


def boot_times(product: Product, images: Mapping[int, Sealed]) -> tuple[BootTime, ...] | None:
    """Return what judging a set takes at each boot; None where the product file states no speed of the bootloader."""
    bootloader = product.bootloader
    if bootloader is None or bootloader.hash_rate is None or bootloader.verify_ms is None:
        return None
    out = []
    for component in product.components.values():
        image = images.get(component.number)
        if image is not None:
            by_mark = product.rules.at_boot == "digest" and not component.recovery
            out.append(_boot_time(component, image, bootloader.hash_rate, bootloader.verify_ms / 1e3, by_mark=by_mark))
    return tuple(out)


def _boot_time(component: Component, image: Sealed, rate: int, verify: float, *, by_mark: bool) -> BootTime:
    header = len(image.header) / rate + (0.0 if by_mark else verify)
    whole = header + len(image.payload) / rate
    by_choice = {"boot": whole, "install": header, "use": header}
    mine = by_choice[component.judged]
    first = mine + verify if by_mark else mine
    return BootTime(component.name, component.judged, len(image.payload), mine, by_choice, first)


def _making(product: Product, images: Mapping[int, Sealed], steps: tuple[delivery.Step, ...]) -> Making:
    """Return how long images are made: base and what travels are hashed, then each byte is made.

    The image itself is hashed as one that comes whole is; that is not counted for either.
    """
    made = [step for step in steps if step.form != delivery.PLAIN]
    rate = None if product.bootloader is None else product.bootloader.hash_rate
    if made and rate is None:
        return Making(len(made), None)
    seconds = 0.0
    for step in made:
        component, image = product.component(step.part.number), images[step.part.number]
        detached = component is not None and component.header
        size = len(image.payload) + (0 if detached else len(image.header))
        hashed = step.size + (0 if step.base is None else step.base.size)
        seconds += (hashed + MADE * size + BY_SHARE * min(step.size, size)) / (rate or 1)
    return Making(len(made), seconds)


def keeping(product: Product, size: int) -> list[Operation]:
    """Return the operations that keep a package of that size, none where the product has no slot for it."""
    slot, room = product.slot_holding("package"), room_for_package(product)
    if slot is None or room is None:
        return []
    memory = product.memories[slot.memory]
    name, start, entry = memory.name, slot.at, max(ENTRY_BYTES, memory.write_unit)
    out = [Operation(name, start + at, None) for at in range(room, slot.size, memory.erase_block)]
    for block in range(0, size, memory.erase_block):
        end = min(block + memory.erase_block, size)
        out.append(Operation(name, start + block, None))
        for at in range(block, end, memory.page):
            length = min(memory.page, end - at)
            out.append(Operation(name, start + at, bytes(-(-length // memory.write_unit) * memory.write_unit)))
        if end - block == memory.erase_block:
            at = room + block // memory.erase_block * entry
            out.append(Operation(name, start + at, bytes(entry)))
    return out
