"""What is done to generated packages; each twist by name, in the stage in which it is done. See generated.py.

`images` changes what the payloads are before digests are taken, `parts` the list of components that the sequences are then written for, `sequences` what they are asked to be and all commands, `manifest` its
members, `wrapper` the authentication, `envelope` its members, `raw` the finished bytes. The twists themselves stand in gen_images.py,
gen_commands.py, gen_manifest.py and gen_envelope.py.
"""

import random
from collections.abc import Callable

from gen_package import Draft

__all__ = ["OFTEN", "TWISTS", "twist"]

Twist = Callable[[Draft, random.Random], object]
TWISTS: dict[str, dict[str, Twist]] = {
    stage: {} for stage in ("images", "parts", "sequences", "manifest", "wrapper", "envelope", "raw")
}
OFTEN: dict[str, int] = {}
"""How often a twist is taken, others once: those that few packages have what it takes for."""


def twist(stage: str, often: int = 1) -> Callable[[Twist], Twist]:
    """Take a function as a twist of that stage, under its name."""

    def add(function: Twist) -> Twist:
        name = function.__name__.replace("_", " ")
        TWISTS[stage][name], OFTEN[name] = function, often
        return function

    return add
