"""The memories of a product with what lies in each slot, by address; values, and lines for a terminal."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from imgseal.check.context import component_named
from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.product.model import Memory, Product, Slot
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from imgseal.flow.contents import Contents
    from imgseal.formats.sealed_image.statement import Statement
    from imgseal.window import Bytes

_BAR = 24
_MANY = 10_000


class Content(NamedTuple):
    """What lies in a slot: bytes taken from its start, and words for it."""

    used: int
    words: str


class InSlot(NamedTuple):
    """What a slot holds already, what the package brings for it, and whether that is installed there.

    `installs` is None where no device is known that would tell; `same` that the slot holds those very bytes already.
    """

    holds: Content | None = None
    brings: Content | None = None
    installs: bool | None = None
    same: bool = False


class Range(NamedTuple):
    """A range of a memory, by absolute address: a slot with its use, or room that belongs to none (`slot` None)."""

    start: int
    size: int
    slot: str | None
    use: str
    inside: InSlot = InSlot()

    @property
    def new(self) -> bool:
        """Whether what lies there, once the package is installed, is what it brings."""
        holds, brings, installs, same = self.inside
        return brings is not None and (holds is None or (installs is not False and not same))

    @property
    def after(self) -> Content | None:
        """What lies there once the package is installed, as far as that is known."""
        return self.inside.brings if self.new else self.inside.holds

    @property
    def used(self) -> int:
        """Bytes of what lies there; more than the slot has where it is too large."""
        return self.after.used if self.after else 0

    @property
    def free(self) -> int:
        """Bytes behind what lies there."""
        return max(0, self.size - self.used)

    @property
    def over(self) -> int:
        """Bytes that have no room."""
        return max(0, self.used - self.size)

    @property
    def rest_words(self) -> str:
        """How much room is left, or is missing."""
        return f"{self.over} bytes too many" if self.over else f"{size_words(self.free)} free"


class MemoryMap(NamedTuple):
    """A memory of the device and its ranges, without gaps."""

    memory: Memory
    ranges: tuple[Range, ...]


def contents_of_slots(
    product: Product,
    contents: "Contents | None",
    held: "Mapping[str, Bytes]",
    installs: "Collection[str] | None" = None,
) -> dict[str, InSlot]:
    """Return what lies in the slots, by name.

    `installs` names the slots that the device would install to; None where no device is known, so that a package may
    be installed to every slot that it brings something for.
    """
    out = {name: InSlot(_held(product, name, held)) for name, data in held.items() if data.size}
    for name, words, data in () if contents is None else _brought(product, contents):
        holds = out.get(name, InSlot()).holds
        same = holds is not None and held[name].read(0, len(data)) == data
        out[name] = InSlot(holds, Content(len(data), words), None if installs is None else name in installs, same)
    return out


def _brought(product: Product, contents: "Contents") -> "Iterator[tuple[str, str, memoryview]]":
    for name, image in contents.images.items():
        component = product.components[image.component]
        yield name, f"{image.component} {image.statement.version}", image.content
        if image.header is not None and component.header:
            yield component.header[component.run.index(name)], f"header of {image.component}", image.header


def _held(product: Product, name: str, held: "Mapping[str, Bytes]") -> Content:
    """Read what a slot holds by its own header; a run slot of detached images by the one in its header slot."""
    data = held[name]
    header: Bytes | None = data
    headers = {run: beside for c in product.components.values() for run, beside in zip(c.run, c.header, strict=False)}
    if name in headers:
        header = held.get(headers[name])
    statement = None if header is None else _statement(header)
    if statement is None or (name in headers and not statement.detached):
        return Content(data.size, "other content")
    # a detached image lies in staging and keep slots as header block and payload, one behind the other
    size, words = statement.header_block + statement.payload_size, ""
    if name in headers:
        size = statement.payload_size
    elif name in headers.values() and statement.detached:
        size, words = statement.header_block, "header of "
    words += f"{component_named(product, statement.component)} {statement.version}"
    return Content(min(size, data.size), words)


def _statement(data: "Bytes") -> "Statement | None":
    try:
        return decode_header_block(bytes(data.read(0, HEADER_BLOCK_MAX))).statement
    except SealedFormatError:
        return None


def memory_maps(product: Product, contents: Mapping[str, InSlot]) -> tuple[MemoryMap, ...]:
    """Return the flash memories in the order of their addresses; `contents` says what lies in slots, by name."""
    flashes = sorted((m for m in product.memories.values() if m.kind != "ram"), key=lambda m: m.base)
    return tuple(MemoryMap(memory, tuple(_ranges(product, memory, contents))) for memory in flashes)


def _ranges(product: Product, memory: Memory, contents: Mapping[str, InSlot]) -> Iterator[Range]:
    at = 0
    slots = sorted((s for s in product.slots.values() if s.memory == memory.name), key=lambda s: s.at)
    for slot in slots:
        if slot.at > at:
            yield Range(memory.base + at, slot.at - at, None, "no slot")
        yield Range(memory.base + slot.at, slot.size, slot.name, _use(product, slot), contents.get(slot.name, InSlot()))
        at = slot.at + slot.size
    if at < memory.size:
        yield Range(memory.base + at, memory.size - at, None, "no slot")


def _use(product: Product, slot: Slot) -> str:
    for component in product.components.values():
        roles = {component.keep: "keep slot", component.staging: "staging slot"}
        roles |= dict.fromkeys(component.header, "header slot")
        several = f" of {len(component.run)}" if len(component.run) > 1 else None
        roles |= {name: f"run slot {n}{several}" if several else "run slot" for n, name in enumerate(component.run, 1)}
        if slot.name in roles:
            return f"{component.name}, {roles[slot.name]}"
    return slot.holds or "no use"


def size_words(size: int) -> str:
    """Return a size in the largest unit that it is whole in, or else with one decimal."""
    if size < 1 << 10:
        return f"{size} B"
    for unit, name in ((1 << 30, "GiB"), (1 << 20, "MiB"), (1 << 10, "KiB")):
        if size % unit == 0 and 0 < size // unit < _MANY:
            return f"{size // unit} {name}"
    unit, name = (1 << 20, "MiB") if size >= 10 << 20 else (1 << 10, "KiB")
    return f"{size / unit:.1f} {name}"


def map_lines(maps: Iterable[MemoryMap]) -> Iterator[str]:
    """Yield the map for a terminal; a bar says how full a slot is: # is taken, . is free."""
    for number, each in enumerate(maps):
        memory = each.memory
        if number:
            yield ""
        besides = "" if memory.trusted else ", not trusted"
        if memory.erased != 0xFF:
            besides += ", unreadable erased" if memory.erased is None else f", erased to 0x{memory.erased:02x}"
        yield f"{memory.name}: {size_words(memory.size)}, erase blocks of {size_words(memory.erase_block)}{besides}"
        wide = max((len(r.slot or "") for r in each.ranges), default=0)
        uses = max((len(r.use) for r in each.ranges), default=0)
        for part in each.ranges:
            line = f"  0x{part.start:08x} {size_words(part.size):>10}  {part.slot or '':<{wide}}  {part.use:<{uses}}"
            yield (line + _bar(part)).rstrip()


def _bar(part: Range) -> str:
    after = part.after
    if after is None:
        return ""
    marks = min(_BAR, -(-after.used * _BAR // part.size))
    new = "new: " if part.new else ""
    return f"  {'#' * marks}{'.' * (_BAR - marks)}  {new}{after.words}, {part.rest_words}"
