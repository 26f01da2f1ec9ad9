"""How flash may be worse than the plain model, each by a name; docs/format/flash-model.md, "Flash that is worse"."""

from collections.abc import Iterator

from imgseal.product.model import Memory, Product
from imgseal.records import NamedTuple


class Behaviour(NamedTuple):
    """What the part does, and what has to be asked of it for the scheme to hold, if anything."""

    does: str
    asks: str | None = None


PARALLEL, PAGE, ECC, SECOND, UNEVEN = (
    "parallel-units",
    "page-corrupted",
    "ecc-faults",
    "second-program-faults",
    "uneven-blocks",
)
OF_A_MEMORY = {
    PARALLEL: Behaviour("a cut tears every unit of a program call, not one after the other"),
    PAGE: Behaviour("a cut in a program call harms all of its page, also what was programmed there before"),
    ECC: Behaviour(
        "what a cut has left unreliable may fault when it is read",
        "the fault comes back from the driver's read as an error, and resets nothing",
    ),
    SECOND: Behaviour("a second program of a unit since its erase faults, also after an erase that was cut"),
    UNEVEN: Behaviour(
        "an erase block consists of smaller ones, erased one after the other",
        "the driver erases all of them whenever it erases the block, also those that read blank",
    ),
}
"""What `memory.NAME.behaves` takes."""


def asked(product: Product) -> Iterator[tuple[str, str, str]]:
    """Yield memory, behaviour and what is asked of the part, for what the product file describes."""
    for memory in product.memories.values():
        for name in memory.behaves:
            if (asks := OF_A_MEMORY[name].asks) is not None:
                yield memory.name, name, asks


def behaving(product: Product, *names: str) -> Product:
    """Return the product with flash memories that behave so as well."""
    return product._replace(memories={key: _behaving(each, names) for key, each in product.memories.items()})


def _behaving(memory: Memory, names: tuple[str, ...]) -> Memory:
    if memory.kind != "flash":
        return memory
    return memory._replace(behaves=tuple(name for name in OF_A_MEMORY if name in {*memory.behaves, *names}))
