"""Anti-rollback counters as one-way storage holds them: a step at a time, or any higher number at once; never back.

A cut inside a step leaves it unreliable: it may read as taken or not, until it is taken again. Storage that does not
behave so is better, never worse. Storage that is full or worn takes nothing any more. Common practice, no source.
"""

from collections.abc import Callable, Mapping

from imgseal.product.model import Product
from imgseal.rehearse.flash import PowerCutError
from imgseal.rehearse.noise import Noise

Step = tuple[int, int]
"""Component number and the value that the step reaches."""


def numbers_stored(product: Product) -> frozenset[int]:
    """Return the components whose counter storage holds a number, by their own numbers."""
    return frozenset(c.number for c in product.components.values() if c.counter_storage == "value")


class Counters:
    """The counter of each component.

    `firm` are the values that every read gives, `loose` the steps that a cut has torn, at most one a component. The
    components in `values` store a number and reach any higher one at once. `full` are the highest values that storage
    takes, by component; what is above changes nothing.
    """

    __slots__ = ("_full", "_values", "firm", "loose", "noise", "watch")

    def __init__(
        self,
        firm: Mapping[int, int],
        loose: frozenset[Step],
        noise: Noise,
        values: frozenset[int] = frozenset(),
        full: Mapping[int, int] = {},
    ) -> None:
        self._values = values
        self._full = full
        self.firm = dict(firm)
        self.loose = loose
        self.noise = noise
        self.watch: Callable[[Step], bool] = lambda _step: False

    def read(self, component: int) -> int:
        """Return the counter; with a torn step it may be what that reaches, and another next time."""
        value = self.firm.get(component, 0)
        torn = next((reached for number, reached in self.loose if number == component), None)
        return value if torn is None or not self.noise.has_taken(component) else torn

    def take(self, component: int, step: int) -> bool:
        """Take one step; taking a step again that has been taken makes it reliable and changes nothing else.

        Returns whether the storage has taken it; as `raise_to` does.
        """
        return self._change(component, step, step == self.firm.get(component, 0) + 1)

    def raise_to(self, component: int, value: int) -> bool:
        """Store a number, which has to be a higher one; the same one again makes it reliable."""
        return self._change(component, value, component in self._values and value > self.firm.get(component, 0))

    def again(self, step: Step) -> None:
        """Do once more what `watch` was told."""
        (self.raise_to if step[0] in self._values else self.take)(*step)

    def _change(self, component: int, value: int, rises: bool) -> bool:
        cut = self.watch((component, value))
        if rises and value <= self._full.get(component, value):
            self.loose = frozenset(torn for torn in self.loose if torn[0] != component)
            if cut:
                self.loose |= {(component, value)}
            else:
                self.firm[component] = value
        if cut:
            raise PowerCutError
        return value <= self.firm.get(component, 0)
