"""Anti-rollback counters as one-way storage holds them: a step at a time, never back.

A cut inside a step leaves it unreliable: it may read as taken or not, until it is taken again. Storage that does not
behave so is better, never worse. Common practice, no source.
"""

from collections.abc import Callable, Mapping

from imgseal.rehearse.flash import PowerCutError
from imgseal.rehearse.noise import Noise

__all__ = ["Counters", "Step"]

Step = tuple[int, int]
"""Component number and the value that the step reaches."""


class Counters:
    """The counter of each component.

    `firm` are the values that every read gives, `loose` the components whose next step a cut has torn.
    """

    __slots__ = ("firm", "loose", "noise", "watch")

    def __init__(self, firm: Mapping[int, int], loose: frozenset[int], noise: Noise) -> None:
        self.firm = dict(firm)
        self.loose = loose
        self.noise = noise
        self.watch: Callable[[Step], bool] = lambda _step: False

    def read(self, component: int) -> int:
        """Return the counter; with a torn step it may be one higher, and another next time."""
        value = self.firm.get(component, 0)
        return value + (self.noise.below(2) if component in self.loose else 0)

    def take(self, component: int, step: int) -> None:
        """Take one step; taking a step again that has been taken makes it reliable and changes nothing else."""
        value = self.firm.get(component, 0)
        cut = self.watch((component, step))
        if step == value + 1:
            if cut:
                self.loose |= {component}
            else:
                self.firm[component] = step
                self.loose -= {component}
        if cut:
            raise PowerCutError
