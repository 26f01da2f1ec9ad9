"""Flash and counters that are worse than the plain model, one behaviour after the other, or all that go together.

docs/format/flash-model.md, "Flash that is worse", says what each is and where it comes from.
"""

from collections.abc import Callable, Iterator

from imgseal.check.context import Context
from imgseal.errors import Place, UsageError, meant
from imgseal.formats.install_record.room import place_bytes
from imgseal.product.flash_behaviours import OF_A_MEMORY, Behaviour, behaving
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.rehearse.explore import Explorer, Spread, Violation, in_turn
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.sagging import Sagging
from imgseal.rehearse.stage import set_up
from imgseal.window import Bytes

ZERO, WORN, FULL, SAGGING, TOGETHER = "erased-zero", "worn-place", "full-counters", "sagging-supply", "together"

BEHAVIOURS = OF_A_MEMORY | {
    ZERO: Behaviour("flash reads 0x00 where it is erased"),
    WORN: Behaviour(
        "the blocks of one place for records take no programming, and do not say so",
        "blocks of all other slots take what is programmed: an image that does not read back is not installed",
    ),
    FULL: Behaviour("the storage of counters is full or worn: it takes none, or one step, of all or of one of them"),
    SAGGING: Behaviour(
        "the supply falls slowly, and operations before a cut are in doubt: one fewer than a copy of a record takes",
        "a brown-out detector that ends flash operations above the voltage that the flash needs: with more of them "
        "in doubt records and images are lost",
    ),
    TOGETHER: Behaviour("all that a memory may do at once: " + ", ".join(OF_A_MEMORY)),
}
"""What `--flash` takes, in the order in which `--flash worst` plays them."""


class Case(NamedTuple):
    """A device that behaves so: the name as `--flash` takes it, the stage, and what plays it."""

    name: str
    stage: Stage
    explorer: type[Explorer] = Explorer


class Worse(NamedTuple):
    """What was played of one behaviour: lives after one cut and after two, and what did not hold, in which case."""

    name: str
    single: int
    double: int
    violation: Violation | None = None
    case: str = ""

    @property
    def says(self) -> Behaviour:
        """What the part does, and what is asked of it."""
        return BEHAVIOURS[self.name]


WORST = "worst"


def named(text: str) -> tuple[str, ...]:
    """Return the behaviours that a text names: one of them, of which a case may be named, or all; UsageError."""
    name, colon, number = text.partition(":")
    if text == WORST:
        return tuple(BEHAVIOURS)
    if name not in BEHAVIOURS or (colon and not number.isdecimal()):
        raise UsageError(
            "no such behaviour of flash",
            place=Place(key="--flash"),
            expected=", ".join((WORST, *BEHAVIOURS)),
            found=text,
            hint=meant(name, (WORST, *BEHAVIOURS), "docs/format/flash-model.md says what each is"),
        )
    return (name,)


def case_named(text: str, context: Context, package: Bytes) -> Case:
    """Return the device that a violation names; UsageError where there is none."""
    (name, *others) = named(text)
    found = next((case for case in cases(name, context, package) if case.name == text and not others), None)
    if found is None:
        raise UsageError(
            "this is no device to replay on",
            place=Place(key="--flash"),
            expected="a behaviour as the line of the violation names it, such as worn-place:1",
            found=text,
            hint="copy it from the line that begins with: again",
        )
    return found


def cases(name: str, context: Context, package: Bytes) -> Iterator[Case]:
    """Yield the devices that behave in this way."""
    product = context.product
    for number, each in enumerate(_stages(name, context, product, package)):
        yield Case(name if not number else f"{name}:{number}", each, Sagging if name == SAGGING else Explorer)


def _stages(name: str, context: Context, product: Product, package: Bytes) -> Iterator[Stage]:
    if name == WORN:
        stage = set_up(context, package)
        yield from (stage._replace(facts=stage.facts._replace(worn=blocks)) for blocks in _places(product))
    elif name == FULL:
        now = {number: context.state.counters.get(number, 0) for number in product.numbers}
        alone = [{number: value} for number, value in now.items()] if len(now) > 1 else []
        steps = {c.number: now[c.number] + (c.counter_storage == "steps") for c in product.components.values()}
        yield from (set_up(context, package, full=full) for full in (now, steps, *alone))
    else:
        yield set_up(context._replace(product=_as(name, product)), package)


def _as(name: str, product: Product) -> Product:
    if name == ZERO:
        memories = {
            key: each if each.erased is None else each._replace(erased=0) for key, each in product.memories.items()
        }
        return product._replace(memories=memories)
    return behaving(product, *(OF_A_MEMORY if name == TOGETHER else [name] if name in OF_A_MEMORY else []))


def _places(product: Product) -> Iterator[frozenset[tuple[str, int]]]:
    """Yield the erase blocks of each place for records."""
    slot = product.slot_holding("records")
    assert slot is not None
    memory = product.memories[slot.memory]
    block = memory.erase_block
    size = place_bytes(len(product.components), block, memory.write_unit)
    for at in range(slot.at, slot.at + slot.size - size + 1, size):
        yield frozenset((memory.name, number) for number in range(at // block, (at + size) // block))


def play(
    name: str,
    context: Context,
    package: Bytes,
    *,
    pairs: int | None,
    seed: str,
    programs: Programs | None = None,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
    spread: Spread = in_turn,
) -> Worse:
    """Cut everywhere on each device that behaves so, and as many second times; stop at the first violation."""
    single = double = 0
    for case in cases(name, context, package):
        explorer = case.explorer(case.stage, package, seed, programs or Programs())
        violation = explorer.explore(0 if name == SAGGING else pairs, progress, spread)
        single, double = single + explorer.tally.singles, double + explorer.tally.pairs
        if violation is not None:
            return Worse(name, single, double, violation, case.name)
    return Worse(name, single, double)
