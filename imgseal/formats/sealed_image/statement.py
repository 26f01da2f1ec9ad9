"""The statement as a value: what a sealed image says of itself, before it is bytes."""

from imgseal.formats.sealed_image.layout import FLAG_DETACHED, FLAG_DEVELOPMENT
from imgseal.records import NamedTuple
from imgseal.versions import Version


class Need(NamedTuple):
    """A requirement on another component of the set: `least` <= its version, and < `below` where that is given.

    `component` 0 is the bootloader.
    """

    component: int
    least: Version
    below: Version | None

    def met_by(self, version: Version) -> bool:
        """Say whether a version satisfies the requirement."""
        return self.least <= version and (self.below is None or version < self.below)

    def __str__(self) -> str:
        return f">={self.least}" + (f", <{self.below}" if self.below is not None else "")


class SignatureSlot(NamedTuple):
    """What the statement says of one signature: COSE algorithm number, 16-byte key identifier, value length."""

    algorithm: int
    key_id: bytes
    length: int


class Statement(NamedTuple):
    """The signed part of the header block; sizes in bytes, times in seconds since 1970."""

    vendor_id: bytes
    class_id: bytes
    hardware: tuple[int, int]
    component: int
    kind: int
    version: Version
    counter: int
    needs: tuple[Need, ...]
    build_time: int
    source_revision: bytes
    payload_digest: bytes
    payload_size: int
    link_address: int
    entry_offset: int
    header_block: int
    flags: int
    signatures: tuple[SignatureSlot, ...]

    @property
    def development(self) -> bool:
        """Whether the image was made at a desk and may never count as released."""
        return bool(self.flags & FLAG_DEVELOPMENT)

    @property
    def detached(self) -> bool:
        """Whether header block and payload are kept apart."""
        return bool(self.flags & FLAG_DETACHED)

    @property
    def payload_offset(self) -> int:
        """Where the payload begins in its run slot: behind the header block, if that is not kept apart."""
        return 0 if self.detached else self.header_block
