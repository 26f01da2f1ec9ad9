"""Anti-rollback counters as one-way storage holds them: a step at a time, never back.

A cut inside a step leaves it unreliable: it may read as taken or not, until it is taken again. Storage that does not
behave so is better, never worse. Common practice, no source.
"""

from collections.abc import Callable, Mapping

from imgseal.product.model import Product
from imgseal.rehearse.flash import PowerCutError
from imgseal.rehearse.noise import Noise

__all__ = ["Counters", "Step", "numbers_stored"]

Step = tuple[int, int]
"""Component number and the value that the step reaches."""


def numbers_stored(product: Product) -> frozenset[int]:
    """Return the components whose counter storage holds a number, by their own numbers."""
    return frozenset(c.number for c in product.components.values() if c.counter_storage == "value")


class Counters:
    """The counter of each component.

    `firm` are the values that every read gives, `loose` the steps that a cut has torn, at most one a component. The
    components in `values` store a number and reach any higher one at once.
    """

    __slots__ = ("_values", "firm", "loose", "noise", "watch")

    def __init__(
        self, firm: Mapping[int, int], loose: frozenset[Step], noise: Noise, values: frozenset[int] = frozenset()
    ) -> None:
        self._values = values
        self.firm = dict(firm)
        self.loose = loose
        self.noise = noise
        self.watch: Callable[[Step], bool] = lambda _step: False

    def read(self, component: int) -> int:
        """Return the counter; with a torn step it may be what that reaches, and another next time."""
        value = self.firm.get(component, 0)
        torn = next((reached for number, reached in self.loose if number == component), None)
        return value if torn is None or not self.noise.below(2) else torn

    def take(self, component: int, step: int) -> None:
        """Take one step; taking a step again that has been taken makes it reliable and changes nothing else."""
        value = self.firm.get(component, 0)
        cut = self.watch((component, step))
        if step == value + 1 or (component in self._values and step > value):
            self.loose = frozenset(torn for torn in self.loose if torn[0] != component)
            if cut:
                self.loose |= {(component, step)}
            else:
                self.firm[component] = step
        if cut:
            raise PowerCutError
