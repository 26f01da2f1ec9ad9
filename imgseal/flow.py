"""The two flows, bytes in and values out: `release` seals firmware and packs it, `judge` says whether a device takes it."""

from collections.abc import Mapping

from imgseal.check.context import Bytes, Context
from imgseal.check.judge import judge as run_judge
from imgseal.findings import Verdict
from imgseal.keys.trust import Trust
from imgseal.product.model import Product
from imgseal.state.device import DeviceState

__all__ = ["judge"]


def judge(
    data: Bytes,
    name: str,
    product: Product,
    trust: Trust,
    state: DeviceState,
    *,
    contents: Mapping[str, Bytes] | None = None,
    device: str = "a fresh device",
    development: bool = False,
    slot: str | None = None,
    payload: Bytes | None = None,
) -> Verdict:
    """Judge an artefact as the device in `state` would; never raises on what the artefact holds."""
    context = Context(product, trust, state, contents or {}, development=development, slot=slot)
    return run_judge(data, name, context, device, payload)
