"""Room for signatures: of a sealed image in its header block, of a package in its authentication blocks."""

from collections.abc import Iterable

from imgseal.limits import BLOCKS, HEADER_BLOCK_MAX, HEADER_BLOCK_STEP
from imgseal.product.algorithms import SIGNATURE_BYTES
from imgseal.product.cores import vector_alignment
from imgseal.product.model import Component, Product
from imgseal.product.table import Document

_STATEMENT = 384  # docs/format/sealed-image.md; a test holds these two against sealed/layout.py
_SLOTS = 3


def room_for(kinds: Iterable[str]) -> int:
    """Return how many bytes statement and signature values take, with one signature by a key of each kind given."""
    return _STATEMENT + sum(SIGNATURE_BYTES[kind] for kind in kinds)


def fitting_block(product: Product, component: Component, needed: int) -> int:
    """Return the smallest size of a header block for that many bytes, with the vector table behind it where it may be.

    With attached headers the table stands right behind the block. 8,192 is the largest block there is.
    """
    step = HEADER_BLOCK_STEP
    if component.kind == "code" and not component.header:
        step = max(step, vector_alignment(component.core, component.vectors))
    bases = [product.slot_base(slot) for slot in component.run] if step > HEADER_BLOCK_STEP else [0]
    for size in range(-(-needed // HEADER_BLOCK_STEP) * HEADER_BLOCK_STEP, HEADER_BLOCK_MAX + 1, HEADER_BLOCK_STEP):
        if all((base + size) % step == 0 for base in bases):
            return size
    return HEADER_BLOCK_MAX


def check(product: Product, document: Document) -> None:
    """Refuse rules that no header block or package could keep; UsageError names the size that would do."""
    rules, trust = product.rules, product.trust
    for role, need, most, message in (
        ("images", trust.need_images, _SLOTS, "a sealed image has room for three signatures"),
        ("packages", trust.need_packages, BLOCKS, "a package has no room for so many signatures"),
    ):
        if need * len(rules.required) > most:
            expected = f"need times the algorithms that must verify at most {most}"
            found = f"{need} x {', '.join(rules.must_verify)}"
            document.refuse(("trust", role, "need"), message, expected, found)
    needed = room_for(rules.required * trust.need_images)
    for component in product.components.values():
        if component.header_block < needed:
            document.refuse(
                ("component", component.name, "header_block"),
                "the header block is too small for the signatures that the rules ask for",
                f"at least {needed} bytes: {_STATEMENT} of statement and the signatures",
                str(component.header_block),
                f"say header_block = {fitting_block(product, component, needed)}, and link the firmware for it: "
                "imgseal show --linker",
            )
