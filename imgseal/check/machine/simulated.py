"""A simulated device for the manifest's commands.

The product, the device state, and what the package has stored so far.
"""

from collections.abc import Iterator, Mapping

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject
from imgseal.check.slots import slot_name
from imgseal.formats.suit import labels
from imgseal.formats.suit.component import OurComponent
from imgseal.window import ByteView


class SimulatedDevice:
    """Answers a manifest's questions as the device in the context would; stores views, never copies.

    `free` is the run slot that each component with two would be installed to; `held` are components that stay in a run
    slot as they are, with the bytes that count there by the manifest's component.
    """

    def __init__(
        self,
        context: Context,
        components: tuple[OurComponent, ...],
        payloads: Mapping[str, memoryview],
        free: Mapping[int, int],
        held: Mapping[OurComponent, memoryview],
    ) -> None:
        self._context = context
        self._components = components
        self._payloads = payloads
        self._free = {**free, **{part.number: part.slot for part in held}}
        self._held = held
        self._stored: dict[int, memoryview] = {}
        self.invoked: int | None = None

    def identity(self, index: int, kind: int) -> bytes:  # noqa: ARG002 - one vendor and class for the whole device
        """The product's identifiers; single devices have none here."""
        if kind == labels.CONDITION_VENDOR:
            return self._context.product.vendor_id
        return self._context.product.class_id if kind == labels.CONDITION_CLASS else b""

    def slot(self, index: int) -> int:
        """The free slot of the component; 0 where there is but one."""
        return self.free(self._components[index].number)

    def free(self, number: int) -> int:
        """The free slot of a component by its number."""
        return self._free.get(number, 0)

    def content(self, index: int) -> memoryview | None:
        """What the package has stored there, else what the device state says lies in the slot."""
        if index in self._stored:
            return self._stored[index]
        if self.holds(index):
            return self._held[self._components[index]]
        name = slot_name(self._context.product, self._components[index])
        content = None if name is None else self._context.contents.get(name)
        return None if content is None else memoryview(content.read(0, content.size))

    def holds(self, index: int) -> bool:
        """Whether the component stays as it is."""
        return self._components[index] in self._held

    def store(self, index: int, data: memoryview) -> None:
        """Remember the view."""
        self._stored[index] = data

    def stored(self) -> Iterator[tuple[OurComponent, memoryview]]:
        """Yield what the package has put into each component so far."""
        for index, data in self._stored.items():
            yield self._components[index], data

    def payload(self, uri: str) -> memoryview | None:
        """The integrated payload of that key."""
        return self._payloads.get(uri)

    def battery(self) -> int | None:
        """The device state's charge."""
        return self._context.state.battery_mwh

    def authorised(self, priority: int) -> bool:  # noqa: ARG002 - the state file has one answer for all
        """The device state's answer."""
        return self._context.state.authorised

    def version(self, index: int) -> tuple[int, ...] | None:
        """The version in the header of what the component holds."""
        content = self.content(index)
        if content is None:
            return None
        header = ImageSubject(ByteView(content)).header
        return None if header is None else tuple(header.statement.version.suit())

    def invoke(self, index: int) -> None:
        """Remember what would be started."""
        self.invoked = index
