"""What of a component decides how its commands look: how many run slots it has, and whether its header is detached."""

from collections.abc import Iterable, Sized
from typing import Protocol

from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command
from imgseal.formats.suit.component import ours
from imgseal.formats.suit.manifest import Manifest
from imgseal.records import NamedTuple


class _Component(Protocol):
    """A component of the product file, as far as its shape goes."""

    @property
    def number(self) -> int: ...
    @property
    def run(self) -> Sized: ...
    @property
    def header(self) -> Sized: ...


class Shape(NamedTuple):
    """What the product file says of a component: whether it has two run slots, and detached headers."""

    two_slots: bool
    detached: bool

    @classmethod
    def of(cls, components: Iterable[_Component]) -> dict[int, "Shape"]:
        """Return the shapes of a product's components by number."""
        return {each.number: cls(len(each.run) > 1, bool(each.header)) for each in components}

    @classmethod
    def said_by(cls, manifest: Manifest) -> dict[int, "Shape"]:
        """Return the shapes that a manifest itself gives its components, where there is no product file.

        One thing the list of components leaves open: a build for the first run slot alone, of one or of two. There
        validate tells, and every other sequence has to say the same. What stays unseen is a detached header that is
        missing.
        """
        asked: set[object] = set()
        index: object = None
        validate = manifest.members.get(labels.VALIDATE)
        for command in validate if isinstance(validate, tuple) else ():
            if not isinstance(command, Command):
                break  # a digest: it was severed, which no profile knows
            if command.code == labels.SET_COMPONENT_INDEX:
                index = command.argument
            elif command.code == labels.CONDITION_SLOT and isinstance(index, int):
                asked.add(index)
        out: dict[int, Shape] = {}
        for place, identity in enumerate(manifest.components):
            part = ours(identity)
            if part is not None:
                known = out.get(part.number, cls(two_slots=False, detached=False))
                two = known.two_slots or part.slot > 0 or place in asked
                out[part.number] = cls(two, known.detached or part.header)
        return out
