"""Reads the parts that a device is made of: memories, slots, components."""

from collections.abc import Mapping

from imgseal.errors import meant
from imgseal.product.left_to_log import LastNumbers
from imgseal.product.model import AllowedKey, Component, Memory, OutsideRange, Requirement, Slot
from imgseal.product.table import Table
from imgseal.versions import Version


def read_memory(table: Table) -> Memory:
    """Read one [memory.NAME]."""
    is_flash = table.get("kind") == "flash"
    unit = table.get("write_unit")
    memory = table.record(
        Memory,
        name=str(table.path[-1]),
        erase_block=table.get("erase_block") if is_flash else 1,
        page=table.at("page").integer(unit, 1 << 20) if "page" in table else unit,
    )
    size, erase, page = memory.size, memory.erase_block, memory.page
    if unit & (unit - 1):
        table.refuse("write_unit", "not a power of two", "1, 2, 4, 8, ...", str(unit))
    if size % erase:
        table.refuse("erase_block", "the memory is no whole number of erase blocks", f"a divisor of {size}", str(erase))
    if erase % unit:
        table.refuse(
            "erase_block", "an erase block is no whole number of write units", f"a multiple of {unit}", str(erase)
        )
    if page % unit:
        table.refuse("page", "a page is no whole number of write units", f"a multiple of {unit}", str(page))
    if is_flash and erase % page:
        table.refuse("page", "one erase block is no whole number of pages", f"a divisor of {erase}", str(page))
    if is_flash and table.get("swaps"):
        table.refuse(
            "swaps",
            "banks that change places are not supported: nothing here says which place an address is",
            "false, and the switch left alone",
            "true",
            "give each bank a run slot and link a build for each, or stage in the second bank: "
            "docs/decisions/041-banks-that-swap.md",
        )
    if memory.base + size > 1 << 32:
        most = (1 << 32) - memory.base
        table.refuse("size", "the memory ends above 32 bits", f"at most {most} bytes from its base", str(size))
    return memory


def read_slot(table: Table, memories: Mapping[str, Memory]) -> Slot:
    """Read one [slot.NAME]."""
    memory = _one_of(table, "memory", table.get("memory"), memories, "memory")
    return table.record(Slot, name=str(table.path[-1]), memory=memory)


def _one_of(table: Table, key: str, value: str, known: Mapping[str, object], what: str) -> str:
    if value not in known:
        table.refuse(key, f"there is no such {what}", ", ".join(known), value, meant(value, known))
    return value


def read_component(
    table: Table,
    name: str,
    numbers: Mapping[str, int],
    slots: Mapping[str, Slot],
    memories: Mapping[str, Memory],
    version: Version,
    last: LastNumbers,
) -> Component:
    """Read one [component.NAME]; `version` is the release's, for a component that states none.

    `last` is what the release log has, for a counter that stays.
    """
    code = table.get("kind") == "code"
    for key in () if code else ("core", "vectors", "ram"):
        if key in table:
            what = "stack" if key == "ram" else "vector table"
            table.refuse(key, f"data has no {what}", "this key for code only", key)
    run, header = (tuple(_one_of(table, key, s, slots, "slot") for s in table.get(key)) for key in ("run", "header"))
    if header and len(header) != len(run):
        table.refuse("header", "there is not one header slot for each run slot", f"{len(run)} slots", str(len(header)))
    for key in ("staging", "keep"):
        if key in table:
            _one_of(table, key, table.get(key), slots, "slot")
    block = table.get("header_block")
    if block % 128:
        table.refuse("header_block", "not a multiple of 128", "512, 640, ... 8192", str(block))
    same = table.get("counter") == "same"
    rams = {name: memory for name, memory in memories.items() if memory.kind == "ram"}
    component = table.record(
        Component,
        name=name,
        number=numbers[name],
        version=table.get("version") or version,
        core=table.get("core") if code else "",
        vectors=table.get("vectors") if code else 0,
        run=run,
        header=header,
        needs=_needs(table, name, numbers),
        outside=tuple(_outside(row, name, numbers) for row in table.rows("outside", "component.NAME.outside")),
        allowed_keys=tuple(row.record(AllowedKey) for row in table.rows("allowed_key", "component.NAME.allowed_key")),
        recovery=slots[run[0]].holds == "recovery",
        counter=last.counters.get(numbers[name], 0) if same else table.get("counter"),
        same=same,
        ram=tuple(_one_of(table, "ram", ram, rams, 'memory with kind = "ram"') for ram in table.get("ram")),
    )
    if component.counter > component.counter_most:
        stated = component.counter_steps is not None
        table.refuse(
            "counter",
            "the device's counter storage cannot hold this",
            f"at most {component.counter_most} ({'counter_steps' if stated else 'where counter_steps states nothing'})",
            str(component.counter),
            None
            if stated
            else 'state what the device has: counter_steps = NUMBER, or counter_storage = "value" where it stores a '
            "number and takes no steps",
        )
    return component


def _needs(table: Table, own: str, numbers: Mapping[str, int]) -> tuple[Requirement, ...]:
    known = {**{n: number for n, number in numbers.items() if n != own}, "bootloader": 0}
    values = table.items("needs")
    if len(values) > 4:
        table.refuse("needs", "too many requirements for one statement", "at most 4", str(len(values)))
    needs = []
    for other, text in values.items():
        path = (*table.path, "needs", other)
        if other not in known:
            table.document.refuse(path, "there is no such component", ", ".join(known), other)
        expected = 'a range such as ">=1.3.0, <2.0.0", ">=1.3.0" or "<2.0.0"'
        parts = [part.strip() for part in str(text).split(",")]
        lows = [part[2:] for part in parts if part.startswith(">=")]
        highs = [part[1:] for part in parts if part.startswith("<") and not part.startswith("<=")]
        try:
            if len(lows) > 1 or len(highs) > 1 or len(lows) + len(highs) != len(parts):
                raise ValueError(text)
            least, below = (Version.parse(ends[0].strip()) if ends else None for ends in (lows, highs))
        except ValueError:
            table.document.refuse(path, "this is no range of versions", expected, str(text))
        lowest = Version.parse("0.0.0-alpha.0")
        if below is not None and below <= (least or lowest):
            table.document.refuse(path, "no version is in this range", expected, str(text))
        needs.append(Requirement(known[other], other, least or lowest, below))
    return tuple(needs)


def _outside(table: Table, own: str, numbers: Mapping[str, int]) -> OutsideRange:
    drop, carry = table.get("drop"), table.get("carry")
    if drop == (carry is not None):
        table.refuse(
            "",
            "a range is either dropped or carried",
            'drop = true, or carry = "COMPONENT"',
            "both" if drop else "neither",
        )
    if carry is not None:
        _one_of(table, "carry", carry, {n: None for n in numbers if n != own}, "component")
    return table.record(OutsideRange)
