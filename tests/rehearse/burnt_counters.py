"""An application that was taken over writes a record in settling, and headers whose counters nobody has signed."""

import random

from marked import Board, Forger, attack, board

from imgseal.formats.install_record.record import SETTLING, Record
from imgseal.rehearse.life import Programs

AT_COUNTER = slice(68, 72)


class Settles(Forger):
    """Its records say that a set has reported itself healthy."""

    def record(self, lying: dict[str, bytes]) -> Record:
        return super().record(lying)._replace(phase=SETTLING)

    def image(self, slot: str) -> bytes:
        """As others forge them, or with the highest counter that the storage takes."""
        image = super().image(slot)
        if not image or self.rng.random() < 0.5:
            return image
        component = next(c for c in self.of.components.values() if slot in c.run)
        return image[:68] + component.counter_most.to_bytes(4, "little") + image[72:]


def burnt(name: str, programs: Programs, cases: int = 40) -> str | None:
    """Boot what such an application has left; None, or which counter has risen above every image that was signed."""
    for number in range(cases):
        rng = random.Random(f"{name} {number}")
        device, forger = board(name), Settles(name, rng)
        signed = _signed(forger, device)
        attack(device, forger)
        for _ in range(2):
            device.boot(programs)
        for component, value in device.counters.items():
            if value > signed.get(component, 0):
                return (
                    f"{name}, case {number}: the counter of {component} is {value}, images have {signed.get(component)}"
                )
    return None


def _signed(forger: Forger, device: Board) -> dict[int, int]:
    """The highest counter by component, of the storage and of all that was ever signed."""
    out = dict(device.counters)
    for images in forger.genuine.values():
        for image in images:
            component = image[48]
            out[component] = max(out.get(component, 0), int.from_bytes(image[AT_COUNTER], "little"))
    return out
