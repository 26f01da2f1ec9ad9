"""The boot mark: the digest of everything that the verification of a set's signatures depended on.

docs/format/boot-mark.md says what stands where, and what a bootloader does with it.
"""

import hashlib
import struct
from collections.abc import Iterable, Mapping, Sequence

from imgseal.formats.install_record.record import Member, encode_members
from imgseal.records import NamedTuple

BOOT_MARK_BYTES = 32
P256_KIND, ML_DSA_44_KIND = 1, 2

_HEAD = struct.Struct("<8sHBBBBBBBBH16s")
_ANCHOR = struct.Struct("<16s64sIBBH")
_MAGIC, _FORMAT = b"\xd5checked", 1


class MarkedAnchor(NamedTuple):
    """A trust anchor as the device holds it: `point` is x and y of a P-256 key, `value` an ML-DSA-44 key.

    The one that a key is not is empty. `components` has a bit per component in ascending order.
    """

    key_id: bytes
    point: bytes
    value: bytes
    components: int
    development: bool


def boot_mark(
    members: Mapping[int, Member], numbers: tuple[int, ...], anchors: Sequence[MarkedAnchor], revoked: Iterable[bytes],
    *, need: int, kinds: int, must_verify: int, development: bool, hardware: int, bootloader: bytes,
) -> bytes:  # fmt: skip
    """Return the mark of a set of a product with these component numbers, on a device with these trust anchors."""
    gone = tuple(revoked)
    head = _HEAD.pack(
        _MAGIC, _FORMAT, len(numbers), len(anchors), len(gone), need, kinds, must_verify, development, 0, hardware,
        bootloader,
    )  # fmt: skip
    rows = []
    for anchor in anchors:
        kind = ML_DSA_44_KIND if anchor.value else P256_KIND
        point = anchor.point or bytes(64)
        rows.append(_ANCHOR.pack(anchor.key_id, point, anchor.components, anchor.development, kind, 0) + anchor.value)
    return hashlib.sha256(b"".join((head, encode_members(members, numbers), *rows, *gone))).digest()
