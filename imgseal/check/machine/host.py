"""What the machine asks of a device, and how it says why it stopped."""

from typing import Protocol

from imgseal.records import NamedTuple


class Host(Protocol):
    """The device that a manifest is executed on; components by their index in the manifest."""

    def identity(self, index: int, kind: int) -> bytes:
        """The vendor (1), class (2) or device (24) identifier of a component's processor."""

    def slot(self, index: int) -> int:
        """The slot that the component would be installed to, or started from."""

    def content(self, index: int) -> memoryview | None:
        """What the component holds now."""

    def store(self, index: int, data: memoryview) -> None:
        """Replace what the component holds."""

    def payload(self, uri: str) -> memoryview | None:
        """The integrated payload of that key."""

    def battery(self) -> int | None:
        """Charge in mWh; None for enough."""

    def authorised(self, priority: int) -> bool:
        """Whether the application agrees to an update of this priority."""

    def version(self, index: int) -> tuple[int, ...] | None:
        """The version of what the component holds, as SUIT numbers."""

    def invoke(self, index: int) -> None:
        """Start the component; nothing runs after it."""


class Failure(NamedTuple):
    """Why execution stopped: finding code, message, where in the manifest, what was expected and found.

    `stated` is the identifier that the manifest asks for, where another one is the cause.
    """

    code: str
    message: str
    where: str
    expected: str | None = None
    found: str | None = None
    stated: object = None
