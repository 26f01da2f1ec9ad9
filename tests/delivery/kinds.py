"""Deliveries whose payloads are all of one kind, as far as a device can take it, from either run slot."""

import functools
import itertools
from typing import NamedTuple
from unittest.mock import patch

import pytest
from changes import Change, components, package
from delivered import KEY, context, from_the_other_slots
from forced import KINDS, forced
from long_runs import long
from stages import BRIEF, PRODUCTS, WAITING
from test_held_already import third
from workshop import signer

from imgseal.check.context import Context
from imgseal.flow.contents import read_contents
from imgseal.flow.deliver import Delivered, Device, delivery
from imgseal.rehearse.life import Stage
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

HERE, THERE = "from the first slots", "from the other slots"
"""A to B, and B to A; where there is one run slot, the first update and the one behind it."""


ROWS = [
    (name, kind, where) for kind, where, name in itertools.product(KINDS, (HERE, THERE), (*PRODUCTS, *BRIEF, *WAITING))
]
"""Every small product, those with a boot mark and those with a slot for deliveries; every_delivery.py plays all of them."""

SOME = [
    pytest.param(*row, id=", ".join(row), marks=() if number % 2 == 0 else long) for number, row in enumerate(ROWS[::7])
]
"""One row in seven, of which every second is not long."""


class Rehearsed(NamedTuple):
    """A device, and what is delivered to it."""

    context: Context
    delivered: Delivered
    stage: Stage
    package: ByteView


def of_kind(name: str, kind: str, where: str = HERE) -> Rehearsed:
    """A release that changes all of a product; what has no second place to be made in comes as it is."""
    there = context(name) if where == HERE else from_the_other_slots(name)
    everything = components(name)
    raw = package(Change(name, everything, "again")) if where == HERE else third(name, everything)

    with patch("imgseal.flow.deliver.smallest", functools.partial(forced, kind)):
        made = delivery(
            ByteView(raw), read_contents(raw, "x", there.product), [Device("x", there)], there.product, signer(KEY)
        )
    data = ByteView(made.data)
    stage = set_up(there, data)
    assert stage.verdict.accepted, stage.verdict.findings
    return Rehearsed(there, made, stage, data)
