"""Cases of patches: what is signed of them, what the device runs, and what comes out; docs/format/delta.md.

Wrong base comes before a wrong patch, and that before what the patch says: two of them have both.
"""

import hashlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1] / "delta"))

from make_vectors import example

from imgseal.check.patched import Stated, StatedPatch
from imgseal.formats.delta.layout import DISTANCE, IS_COPY, LENGTH, LITERAL, SHIFT, Frame, preamble
from imgseal.make.delta.coder import Coder
from imgseal.make.delta.encode import encode


class PatchCase(NamedTuple):
    """One case: what is signed, the patch as it came, and what lies where the image runs."""

    name: str
    first: str
    stated: StatedPatch
    patch: bytes
    held: bytes


def of(data: bytes) -> Stated:
    return Stated(len(data), hashlib.sha256(data).digest())


def patch_cases() -> Iterator[PatchCase]:
    old, new, frame = example()
    slot = old + b"\xff" * 12
    patch = encode(old, new, frame).data
    stated = StatedPatch(of(patch), of(new), of(old))
    yield PatchCase("patch", "accepted", stated, patch, slot)
    yield PatchCase("patch-slot-is-full", "accepted", stated, patch, old)
    whole = encode(b"", new, frame).data
    compressed = StatedPatch(of(whole), of(new))
    yield PatchCase("patch-without-base", "accepted", compressed, whole, b"")
    yield PatchCase("patch-without-base-beside-another", "accepted", compressed, whole, slot)
    other = bytes((slot[0] ^ 1,)) + slot[1:]
    base, spoiled, form, result = "digest.base", "digest.patch", "structure.patch", "digest.result"
    yield PatchCase("patch-other-base", base, stated, patch, other)
    yield PatchCase("patch-last-byte-of-base", base, stated, patch, slot[: len(old) - 1] + b"\x00" + slot[len(old) :])
    yield PatchCase("patch-base-cut", base, stated, patch, old[:-1])
    yield PatchCase("patch-no-base", base, stated, patch, b"")
    yield PatchCase("patch-base-of-another-size", base, stated._replace(base=of(old + b"\xff")), patch, old)
    damaged = patch[:-1] + bytes((patch[-1] ^ 1,))
    yield PatchCase("patch-damaged", spoiled, stated, damaged, slot)
    yield PatchCase("patch-cut", spoiled, stated, patch[:-1], slot)
    yield PatchCase("patch-longer", spoiled, stated, patch + b"\0", slot)
    yield PatchCase("patch-empty", spoiled, stated, b"", slot)
    yield PatchCase("patch-of-another-base", spoiled, stated, encode(new, old, frame).data, slot)
    yield PatchCase("order-patch-base-and-patch", base, stated, damaged, other)
    yield PatchCase("order-patch-patch-and-form", spoiled, stated, b"\x03" + patch[1:], slot)
    for name, bad in (
        ("version", b"\x03" + patch[1:]),
        ("size", patch[:3] + bytes((patch[3] + 1,)) + patch[4:]),
        ("ends-early", patch[:-1]),
        ("goes-on", patch + b"\1"),
        ("zero-behind", patch + b"\0"),
        ("nothing", b""),
        ("preamble", patch[:12]),
        ("ram", patch[:8] + b"\x10" + patch[9:]),
        ("code", patch[:12] + b"\xff\xff\xff\xff" + patch[16:]),
        ("damaged", patch[:14] + bytes((patch[14] ^ 8,)) + patch[15:]),
    ):
        yield PatchCase(f"patch-form-{name}", form, stated._replace(patch=of(bad)), bad, slot)
    yield PatchCase(
        "order-patch-form-and-result", form, stated._replace(patch=of(damaged), result=of(old)), damaged, slot
    )
    for entries, first in ((128, "accepted"), (129, form)):
        many = with_entries(frame, entries)
        wanted = StatedPatch(of(many), of(b"vent"), of(old))
        yield PatchCase(f"patch-table-{entries}", first, wanted, many, slot)
    wrong = bytes((new[0] ^ 1,)) + new[1:]
    yield PatchCase("patch-other-result", result, stated._replace(result=of(wrong)), patch, slot)
    plain = encode(b"", new, None).data
    yield PatchCase("patch-other-result-compressed", result, StatedPatch(of(plain), of(wrong)), plain, slot)


def with_entries(frame: Frame, entries: int) -> bytes:
    """A patch for four bytes whose table has so many entries."""
    coder = Coder()
    coder.number(LENGTH, entries)
    for _ in range(entries):
        coder.number(DISTANCE, 1)
        coder.signed(SHIFT, 0, 2)
    coder.number(LENGTH, 0)
    for at, byte in enumerate(b"vent"):
        coder.bit(IS_COPY + 3, 0)
        coder.byte(LITERAL + 256 * (at & 1), byte)
    return preamble(4, frame) + coder.finish()
