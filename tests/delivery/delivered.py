"""Deliveries of the small products' second releases, to devices that run the first from either run slot."""

import functools
from collections.abc import Mapping

from changes import Change, before, components, package
from stages import text_of
from workshop import signer, trust_of

from imgseal.check.context import Context
from imgseal.device_state.device import DeviceState
from imgseal.flow.contents import read_contents
from imgseal.flow.deliver import Delivered, Device, delivery
from imgseal.keys.trusted_keys import Trust
from imgseal.product.read_toml import read
from imgseal.rehearse.apply import Applied, apply
from imgseal.window import Bytes, ByteView

KEY = "keys/deliveries"
TWO = "two cores"


@functools.cache
def trust_with_deliveries(name: str) -> Trust:
    """The anchors of a product that has a key for deliveries."""
    text = text_of(name).replace("[trust.images]", f'[trust]\ndeliveries = ["{KEY}.pub.pem"]\n\n[trust.images]', 1)
    return trust_of(read(text, name="imgseal.toml"))


def context(name: str, state: DeviceState | None = None, contents: Mapping[str, Bytes] | None = None) -> Context:
    """A device that runs the first release; `state` and `contents` for another one."""
    shop, runs, lies = before(name)
    return Context(shop.product, trust_with_deliveries(name), state or runs, lies if contents is None else contents)


def made(change: Change, *devices: Context, key: str = KEY) -> Delivered:
    """The delivery of a change's release to devices, of which one runs the first release where none is named."""
    raw = package(change)
    product = before(change.product)[0].product
    known = [Device(f"unit {n}", each) for n, each in enumerate(devices or (context(change.product),))]
    return delivery(ByteView(raw), read_contents(raw, "release", product), known, product, signer(key))


def after(name: str, applied: Applied) -> Context:
    """The device that an installation has left."""
    return context(name, applied.state, {slot: ByteView(content) for slot, content in applied.slots.items()})


@functools.cache
def from_the_other_slots(name: str) -> Context:
    """A device that runs the first release's images from the other slots: it has taken them twice."""
    there = context(name)
    whole = Change(name, components(name), "again")
    applied = apply(there, ByteView(package(whole)))
    assert applied.verdict.accepted, applied.verdict.findings
    return after(name, applied)
