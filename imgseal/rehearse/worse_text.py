"""What was played of flash that is worse, as text for people and as JSON values."""

from collections.abc import Iterator

from imgseal.product.flash_behaviours import asked
from imgseal.product.model import Product
from imgseal.rehearse.text import violation_document, violation_lines
from imgseal.rehearse.worse import Worse


def described(product: Product) -> dict[str, list[str]]:
    """Return how the product file says that its memories behave."""
    return {name: list(memory.behaves) for name, memory in product.memories.items() if memory.behaves}


def worse_lines(product: Product, played: list[Worse]) -> Iterator[str]:
    """Yield the lines behind those of the rehearsal, without line ends."""
    for memory, names in described(product).items():
        yield f"  flash      {memory} is described so, and was played so: {', '.join(names)}"
    yield from (f"             {memory}, {name} asks: {asks}" for memory, name, asks in asked(product))
    for each in played:
        held = "every invariant holds" if each.violation is None else f"BROKEN in {each.case}"
        yield f"  flash      {each.name}: {each.single} lives after one cut, {each.double} after two: {held}"
        yield f"             {each.says.does}"
        if each.says.asks is not None:
            yield f"             asks: {each.says.asks}"
        if each.violation is not None:
            yield from violation_lines(each.violation, f"--flash {each.case} ")


def worse_document(product: Product, played: list[Worse]) -> dict[str, object]:
    """Return the values for JSON; docs/format/rehearse.schema.json describes them."""
    return {
        "described": described(product),
        "played": [
            {
                "name": each.name,
                "does": each.says.does,
                "asks": each.says.asks,
                "cuts": {"single": each.single, "double": each.double},
                "case": each.case or None,
                "violation": None if each.violation is None else violation_document(each.violation),
            }
            for each in played
        ],
    }
