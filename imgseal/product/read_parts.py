"""Reads the parts that a device is made of: hardware range, memories, slots, components."""

from collections.abc import Mapping

from imgseal.errors import meant
from imgseal.formats.install_record.room import WRITE_UNIT_MAX
from imgseal.product.cores import CORES
from imgseal.product.model import AllowedKey, Component, Memory, OutsideRange, Requirement, Slot
from imgseal.product.table import Table, Value
from imgseal.values import shown
from imgseal.versions import Version, decimal

_U32 = 0xFFFF_FFFF


def read_hardware(table: Table) -> tuple[int, int]:
    """Read the range of hardware revisions that `hardware` states, both ends included."""
    expected = 'a revision such as 3, or a range such as "2..4", of 0 to 65535'
    value = table.raw("hardware")
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 0xFFFF:
        return value, value
    if isinstance(value, str):
        least, dots, most = value.partition("..")
        low, high = decimal(least, 0xFFFF), decimal(most, 0xFFFF)
        if dots and low is not None and high is not None and low <= high:
            return low, high
    table.refuse("hardware", "this is no range of hardware revisions", expected, None if value is None else str(value))


def read_memory(table: Table) -> Memory:
    """Read one [memory.NAME]."""
    kind = table.choice("kind", ("flash", "ram"), "flash")
    size = table.at("size").size()
    base = table.integer("base", 0, _U32)
    unit = table.integer("write_unit", 1, WRITE_UNIT_MAX, 1)
    if unit & (unit - 1):
        table.refuse("write_unit", "not a power of two", "1, 2, 4, 8, ...", str(unit))
    erase = table.at("erase_block").size() if kind == "flash" else 1
    if size % erase:
        table.refuse("erase_block", "the memory is no whole number of erase blocks", f"a divisor of {size}", str(erase))
    if erase % unit:
        table.refuse(
            "erase_block", "an erase block is no whole number of write units", f"a multiple of {unit}", str(erase)
        )
    page = table.integer("page", unit, 1 << 20, unit)
    if page % unit:
        table.refuse("page", "a page is no whole number of write units", f"a multiple of {unit}", str(page))
    if kind == "flash" and erase % page:
        table.refuse("page", "one erase block is no whole number of pages", f"a divisor of {erase}", str(page))
    if kind == "flash" and table.at("swaps", False).boolean():
        table.refuse(
            "swaps",
            "banks that change places are not supported: nothing here says which place an address is",
            "false, and the switch left alone",
            "true",
            "give each bank a run slot and link a build for each, or stage in the second bank: "
            "docs/decisions/041-banks-that-swap.md",
        )
    if base + size > 1 << 32:
        table.refuse(
            "size", "the memory ends above 32 bits", f"at most {(1 << 32) - base} bytes from its base", str(size)
        )
    return Memory(
        str(table.path[-1]),
        base,
        size,
        kind,
        erase,
        unit,
        table.at("program_once", False).boolean(),
        page,
        _erased(table),
        table.at("trusted", True).boolean(),
        table.optional("erase_ms", Value.pair),
        table.optional("program_us", Value.pair),
        table.integer("endurance", 1, _U32) if "endurance" in table else None,
    )


def _erased(table: Table) -> int | None:
    value = table.raw("erased", 0xFF)
    if value == "unreadable":
        return None
    if isinstance(value, bool) or not isinstance(value, int) or value not in (0x00, 0xFF):
        table.refuse("erased", "no value that erased flash reads as", '0xFF, 0x00 or "unreadable"', shown(value))
    return value


def read_slot(table: Table, memories: Mapping[str, Memory]) -> Slot:
    """Read one [slot.NAME]."""
    memory = _one_of(table, "memory", table.text("memory"), memories, "memory")
    purposes = ("bootloader", "records", "recovery", "anchors", "package", "boot-mark")
    holds = table.choice("holds", purposes) if "holds" in table else None
    protected = table.choice("write_protected", ("until-reset",)) if "write_protected" in table else None
    return Slot(str(table.path[-1]), memory, table.integer("at", 0, _U32), table.at("size").size(), holds, protected)


def _one_of(table: Table, key: str, value: str, known: Mapping[str, object], what: str) -> str:
    if value not in known:
        table.refuse(key, f"there is no such {what}", ", ".join(known), value, meant(value, known))
    return value


def read_component(
    table: Table, name: str, numbers: Mapping[str, int], slots: Mapping[str, Slot], version: Version
) -> Component:
    """Read one [component.NAME]; `version` is the release's, for a component that states none."""
    kind = table.choice("kind", ("code", "data"), "code")
    code = kind == "code"
    if not code:
        for key in ("core", "vectors"):
            if key in table:
                table.refuse(key, "data has no vector table", "this key for code only", key)
    run = tuple(_one_of(table, "run", s, slots, "slot") for s in table.texts("run", least=1, most=2))
    header = tuple(_one_of(table, "header", s, slots, "slot") for s in table.texts("header", (), most=2))
    if header and len(header) != len(run):
        table.refuse("header", "there is not one header slot for each run slot", f"{len(run)} slots", str(len(header)))
    optional = {
        key: _one_of(table, key, table.text(key), slots, "slot") if key in table else None
        for key in ("staging", "keep")
    }
    block = table.integer("header_block", 512, 8192, 1024)
    if block % 128:
        table.refuse("header_block", "not a multiple of 128", "512, 640, ... 8192", str(block))
    counter = table.integer("counter", 0, _U32)
    steps = table.integer("counter_steps", 1, _U32) if "counter_steps" in table else None
    jump = table.integer("counter_jump", 1, _U32) if "counter_jump" in table else None
    component = Component(
        name=name,
        number=numbers[name],
        kind=kind,
        version=table.optional("version", Value.version) or version,
        counter=counter,
        counter_steps=steps,
        core=table.choice("core", CORES) if code else "",
        vectors=table.integer("vectors", 2, 496) if code else 0,
        run=run,
        staging=optional["staging"],
        keep=optional["keep"],
        way_back=table.choice("way_back", ("kept", "none"), "kept"),
        header=header,
        header_block=block,
        hazard=table.optional("hazard", Value.text),
        needs=_needs(table, name, numbers),
        judged=table.choice("judged", ("boot", "install", "use"), "boot"),
        outside=tuple(_outside(row, name, numbers) for row in table.rows("outside", "component.NAME.outside")),
        allowed_keys=tuple(_allowed_key(row) for row in table.rows("allowed_key", "component.NAME.allowed_key")),
        description=table.optional("description", Value.text),
        recovery=slots[run[0]].holds == "recovery",
        counter_storage=table.choice("counter_storage", ("steps", "value"), "steps"),
        counter_jump=jump,
    )
    if counter > component.counter_most:
        stated = "counter_steps" if steps is not None else "where counter_steps states nothing"
        table.refuse(
            "counter",
            "the device's counter storage cannot hold this",
            f"at most {component.counter_most} ({stated})",
            str(counter),
            hint=None
            if steps is not None
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
        least: Version | None = None
        below: Version | None = None
        try:
            for part in str(text).split(","):
                stripped = part.strip()
                if stripped.startswith(">=") and least is None:
                    least = Version.parse(stripped[2:].strip())
                elif stripped.startswith("<") and not stripped.startswith("<=") and below is None:
                    below = Version.parse(stripped[1:].strip())
                else:
                    raise ValueError(stripped)
        except ValueError:
            table.document.refuse(path, "this is no range of versions", expected, str(text))
        lowest = Version.parse("0.0.0-alpha.0")
        if below is not None and below <= (least or lowest):
            table.document.refuse(path, "no version is in this range", expected, str(text))
        needs.append(Requirement(known[other], other, least or lowest, below))
    return tuple(needs)


def _outside(table: Table, own: str, numbers: Mapping[str, int]) -> OutsideRange:
    drop = table.at("drop", False).boolean()
    carry = table.optional("carry", Value.text)
    if drop == (carry is not None):
        table.refuse(
            "",
            "a range is either dropped or carried",
            'drop = true, or carry = "COMPONENT"',
            "both" if drop else "neither",
        )
    if carry is not None:
        _one_of(table, "carry", carry, {n: None for n in numbers if n != own}, "component")
    return OutsideRange(table.integer("at", 0, _U32), table.at("size").size(), carry)


def _allowed_key(table: Table) -> AllowedKey:
    digest = table.text("sha256").lower()
    if len(digest) != 64 or any(c not in "0123456789abcdef" for c in digest):
        table.refuse("sha256", "this is no SHA-256", "64 hex digits, as the refusal prints them", digest)
    return AllowedKey(digest, table.text("reason"))
