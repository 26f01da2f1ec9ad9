"""Which bootloaders the devices have that a verdict is for: no package brings one, so only a source outside can say."""

from imgseal.records import NamedTuple
from imgseal.versions import Version

DEVICE = "device state"
LOG = "release log"
PREVIOUS = "previous package"
FIRST = "first devices"
PRODUCT = "product file"
"""The sources: the last says what devices leave the factory with from now on, and nothing of those in the field."""


class Fielded(NamedTuple):
    """The oldest and the newest bootloader of these devices, the source that says so, and the source in words.

    `oldest` None: not known. `newest` None: as old as `oldest` or newer.
    """

    oldest: Version | None
    newest: Version | None
    source: str
    words: str

    def __str__(self) -> str:
        if self.oldest is None:
            shown = "not known"
        elif self.newest is None:
            shown = f"{self.oldest} or newer"
        else:
            shown = str(self.oldest) if self.oldest == self.newest else f"{self.oldest} to {self.newest}"
        return f"bootloader {shown} ({self.words})"
