"""Merges what a device leaves the factory with: bootloader, sealed images, records, trust anchors, configuration."""

import hashlib
import itertools

from imgseal.errors import Place, UsageError
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.spans import Region, contains, overlap
from imgseal.product.model import Product
from imgseal.records import NamedTuple


class Part(NamedTuple):
    """One range of the factory image: what it is, the slot it lies in (None: outside slots), address, bytes, file."""

    what: str
    slot: str | None
    address: int
    data: bytes
    file: str

    @property
    def region(self) -> Region:
        """Its addresses."""
        return Region(self.address, len(self.data))

    @property
    def sha256(self) -> str:
        """SHA-256 of its bytes, hex."""
        return hashlib.sha256(self.data).hexdigest()


class Difference(NamedTuple):
    """Where a dump differs: the part's name, the first address, the bytes expected and found there, how many differ."""

    what: str
    address: int
    expected: str
    found: str
    differing: int


def merge(parts: list[Part], product: Product) -> list[Part]:
    """Return the parts by address; UsageError for one that leaves its slot or its memory, or overlaps another."""
    ordered = sorted(parts, key=lambda part: part.address)
    for part in ordered:
        _refuse_outside(part, product)
    for before, after in itertools.pairwise(ordered):
        shared = overlap(before.region, after.region)
        if shared is not None:
            raise UsageError(
                f"{after.what} overlaps {before.what}",
                place=Place(file=after.file, address=shared.address),
                expected=f"an address of at least 0x{before.region.end:08x}, behind {before.what} ({before.file})",
                found=f"0x{after.address:08x}..0x{after.region.end:08x}",
                hint="one of the two is linked or placed wrongly; [slot.*] and [[factory.range]] say where things go",
            )
    return ordered


def _refuse_outside(part: Part, product: Product) -> None:
    if part.slot is not None:
        slot = product.slots[part.slot]
        inside = Region(product.slot_base(slot.name), slot.size)
        if not contains(inside, part.region):
            raise UsageError(
                f"{part.what} does not lie in its slot",
                place=Place(file=part.file, address=part.address),
                expected=f"0x{inside.address:08x}..0x{inside.end:08x} (slot.{slot.name})",
                found=f"0x{part.address:08x}..0x{part.region.end:08x}",
                hint="link it for its slot, or enlarge the slot in the product file",
            )
        return
    taken = [s for s in product.slots if overlap(Region(product.slot_base(s), product.slots[s].size), part.region)]
    if taken:
        raise UsageError(
            f"{part.what} lies in slot.{taken[0]}",
            place=Place(file=part.file, address=part.address),
            expected="a range outside all slots",
            found=f"0x{part.address:08x}..0x{part.region.end:08x}",
            hint="slots are filled by imgseal; what belongs into one is a component, or the bootloader",
        )


def compare_dump(parts: list[Part], dump: MemoryImage, product: Product) -> tuple[list[Difference], list[str]]:
    """Compare a dump of a programmed device with the factory image.

    Every part has to be in the dump, byte for byte, and every other byte of a slot that the dump covers erased. Returns
    the differences, and notes on slots that the dump does not cover, or whose rest reads as anything.
    """
    differences, notes = [], []
    for part in parts:
        found = b"".join(dump.filled(part.address, part.region.end))
        covered = sum(region.size for region in dump.crop(part.address, part.region.end).regions)
        if covered < len(part.data):
            differences.append(Difference(part.what, part.address, f"{len(part.data)} bytes", f"{covered} bytes", 0))
        elif found != part.data:
            differences.append(_difference(part.what, part.address, part.data, found))
    for name, slot in product.slots.items():
        base = product.slot_base(name)
        rest = dump.crop(base, base + slot.size)
        if not rest.regions:
            notes.append(f"the dump does not cover slot.{name}")
            continue
        memory = product.memories[slot.memory]
        if memory.erased is None:
            notes.append(f"the rest of slot.{name} reads as anything: memory.{memory.name}.erased")
            continue
        for part in parts:
            rest = rest.without(part.address, part.region.end)
        for region in rest.regions:
            data = b"".join(rest.chunks(region))
            if data.count(memory.erased) != len(data):
                erased = bytes([memory.erased]) * len(data)
                differences.append(_difference(f"slot.{name}", region.address, erased, data))
                break
    return differences, notes


def _difference(what: str, address: int, expected: bytes, found: bytes) -> Difference:
    """Say where two ranges of one size differ first, and in how many bytes."""
    wrong = [index for index, pair in enumerate(zip(expected, found, strict=True)) if pair[0] != pair[1]]
    at = wrong[0]
    return Difference(what, address + at, f"0x{expected[at]:02x}", f"0x{found[at]:02x}", len(wrong))
