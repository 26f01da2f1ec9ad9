"""The differences of two packages, slot by slot."""

from collections.abc import Iterator

from imgseal.flow.contents import Contents, Image
from imgseal.formats.sealed_image.statement import Statement
from imgseal.limits import CHUNK
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.times import utc
from imgseal.versions import suit_words


class Change(NamedTuple):
    """One value that differs; `old` None where the package before has no such image."""

    what: str
    old: str | None
    new: str | None


class SlotDifference(NamedTuple):
    """What changes in one run slot. One that the new package brings nothing for is left alone: nothing of it changes.

    `bytes_changed` counts bytes of the sealed image that differ or are there in one only; `blocks_changed` the erase
    blocks, of `block` bytes each, that hold other content afterwards; `blocks_written` those that the new image takes.
    `same_version` tells that the payload is another one under the same version, which nobody can tell apart by name.
    """

    component: str
    slot: str
    changes: tuple[Change, ...]
    left_alone: bool
    same_version: bool
    bytes_changed: int
    bytes_new: int
    block: int
    blocks_changed: int
    blocks_written: int
    blocks_in_slot: int

    @property
    def unchanged(self) -> bool:
        """Whether the slot holds the same bytes as before; also where it is left alone."""
        return not self.bytes_changed


class Comparison(NamedTuple):
    """Two packages side by side."""

    old: str
    new: str
    changes: tuple[Change, ...]
    slots: tuple[SlotDifference, ...]


def compare(old: Contents, new: Contents, product: Product) -> Comparison:
    """Compare two packages of one product; slots in the order of the product file."""
    pairs = [
        ("release", suit_words(old.set_version), suit_words(new.set_version)),
        ("sequence", str(old.sequence), str(new.sequence)),
    ]
    slots = [
        _slot(product, name, old.images.get(name), new.images.get(name))
        for component in product.components.values()
        for name in component.run
        if name in old.images or name in new.images
    ]
    return Comparison(old.name, new.name, tuple(Change(*pair) for pair in pairs if pair[1] != pair[2]), tuple(slots))


def _facts(statement: Statement, product: Product) -> dict[str, str]:
    names = {0: "bootloader", **{c.number: c.name for c in product.components.values()}}
    needs = ", ".join(f"{names.get(n.component, n.component)} {n}" for n in statement.needs)
    return {
        "version": str(statement.version),
        "counter": str(statement.counter),
        "payload": f"{statement.payload_size} bytes",
        "needs": needs or "nothing",
        "hardware": f"{statement.hardware[0]}..{statement.hardware[1]}",
        "class": statement.class_id.hex(),
        "keys": ", ".join(slot.key_id.hex() for slot in statement.signatures),
        "header": f"{statement.header_block} bytes{', detached' if statement.detached else ''}",
        "made for": "development" if statement.development else "release",
        "revision": statement.source_revision.hex() or "none",
        "built": utc(statement.build_time),
    }


def _slot(product: Product, name: str, old: Image | None, new: Image | None) -> SlotDifference:
    slot = product.slots[name]
    memory = product.memories[slot.memory]
    block, fill = memory.erase_block, bytes([memory.fill])
    now = new or old  # a slot that is left alone holds what it held
    assert now is not None
    before = {} if old is None else _facts(old.statement, product)
    changes = [Change(what, before.get(what), value) for what, value in _facts(now.statement, product).items()]
    mine, theirs = old.content if old else memoryview(b""), now.content
    bytes_new = len(theirs) if new else 0
    return SlotDifference(
        component=now.component,
        slot=name,
        changes=tuple(change for change in changes if change.old != change.new),
        left_alone=new is None,
        same_version=old is not None
        and old.statement.version == now.statement.version
        and old.statement.payload_digest != now.statement.payload_digest,
        bytes_changed=sum(_differing(*parts) for parts in _side_by_side(mine, theirs, CHUNK)),
        bytes_new=bytes_new,
        block=block,
        blocks_changed=sum(not _same_block(*parts, block, fill) for parts in _side_by_side(mine, theirs, block)),
        blocks_written=-(-bytes_new // block),
        blocks_in_slot=slot.size // block,
    )


def _side_by_side(old: memoryview, new: memoryview, step: int) -> Iterator[tuple[memoryview, memoryview]]:
    for at in range(0, max(len(old), len(new)), step):
        yield old[at : at + step], new[at : at + step]


def _differing(old: memoryview, new: memoryview) -> int:
    """Count the bytes that differ; what is there in one only differs."""
    both = min(len(old), len(new))
    rest = abs(len(old) - len(new))
    if old[:both] == new[:both]:
        return rest
    difference = int.from_bytes(old[:both], "little") ^ int.from_bytes(new[:both], "little")
    return both - difference.to_bytes(both, "little").count(0) + rest


def _same_block(old: memoryview, new: memoryview, block: int, fill: bytes) -> bool:
    """Whether an erase block holds the same afterwards, the rest behind an image being erased."""
    return old == new if len(old) == len(new) else bytes(old).ljust(block, fill) == bytes(new).ljust(block, fill)
