"""Makes the images of a delivery travel in one form, whichever would be the smallest."""

from imgseal.check.patched import Stated
from imgseal.formats.suit.delivery import COMPRESSED, PATCH, PLAIN, Base, Step
from imgseal.make.deliver import Travels, Wanted
from imgseal.make.delta.encode import encode
from imgseal.make.delta.frame import Side, frame_of

KINDS = (PATCH, COMPRESSED, PLAIN)


def forced(kind: str, wanted: Wanted) -> Travels:
    """What travels for a step: of this kind, as far as a device can take it."""
    old, new = wanted.old, wanted.new
    form = kind if wanted.remade and (old is not None or kind != PATCH) else PLAIN
    if form == PLAIN:
        return Travels(Step(wanted.part, form, *Stated.of(new.data), None), new.data)
    start = old if form == PATCH and old is not None else Side(b"", new.base, new.code)
    data = encode(start.data, new.data, frame_of(start, new)).data
    base = Base(*Stated.of(start.data)) if form == PATCH else None
    return Travels(Step(wanted.part, form, *Stated.of(data), base), data)
