"""Everything the judge holds an artefact against: product, trust anchors, device, and what was asked for."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from imgseal.device_state.device import DeviceState
from imgseal.findings import LaidOut
from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Component, Product
from imgseal.records import NamedTuple
from imgseal.versions import Version
from imgseal.window import Bytes

if TYPE_CHECKING:
    from imgseal.formats.trust_anchors.codec import AnchorSet


class Expected(NamedTuple):
    """What a signed manifest says of one sealed image; None where it says nothing."""

    component: int
    slot: int
    version: Version | None
    size: int | None
    vendor_id: bytes | None
    class_id: bytes | None


class Context(NamedTuple):
    """The judge's side of the question.

    `development` admits development images and keys; `slot` names the slot that a raw dump was read from; `versions`
    are those of the resulting set by component number (0 is the bootloader); `whole` says that the set is known, so
    that a missing component is a missing requirement, and None that it is where the device is; `partial` that a package
    may leave components to what the device has. Of an image inside a package its manifest says `expected`. `day`
    (YYYY-MM-DD, UTC) is the one that keys have to be in force on; None leaves their dates out, as a device does, which
    has no clock to trust. `anchors` is the trust anchor set that the device has been given since it left the factory;
    `trust` has to be the same one's. `every`: the verdict is for all devices of the class, whichever run slots are
    theirs; `layout` says where the release log, and not the product file, says how they are laid out.
    """

    product: Product
    trust: Trust
    state: DeviceState
    contents: Mapping[str, Bytes] = {}
    development: bool = False
    slot: str | None = None
    versions: Mapping[int, Version] = {}
    whole: bool | None = None
    partial: bool = False
    expected: Expected | None = None
    day: str | None = None
    anchors: "AnchorSet | None" = None
    every: bool = False
    layout: LaidOut | None = None

    @property
    def whole_set(self) -> bool:
        """Whether the set is known."""
        return not self.state.fresh if self.whole is None else self.whole


def component_numbered(product: Product, number: int) -> Component | None:
    """Return the product's component of that number."""
    return next((component for component in product.components.values() if component.number == number), None)


def component_named(product: Product, number: int) -> str:
    """Return words for a component number: its name, `bootloader`, or the bare number."""
    if number == 0:
        return "bootloader"
    component = component_numbered(product, number)
    return component.name if component else f"component {number}"
