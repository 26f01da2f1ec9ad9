"""What a patch makes of the image that a device runs: judged before it is read, and when it is done."""

import hashlib
import hmac

from imgseal.check.patch import apply_patch
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.delta import layout
from imgseal.records import NamedTuple


class Stated(NamedTuple):
    """Size and SHA-256, as something signed has them."""

    size: int
    digest: bytes

    def is_of(self, data: bytes | memoryview) -> bool:
        """Say whether the bytes are those."""
        return len(data) == self.size and hmac.compare_digest(hashlib.sha256(data).digest(), self.digest)

    @classmethod
    def of(cls, data: bytes | memoryview) -> "Stated":
        """Return what could be stated of bytes."""
        return cls(len(data), hashlib.sha256(data).digest())

    def __str__(self) -> str:
        return f"{self.size} bytes, {self.digest.hex()}"


class StatedPatch(NamedTuple):
    """What is signed of a patch: itself, what it is made from, and what it makes. Without a base it is compressed."""

    patch: Stated
    result: Stated
    base: Stated | None = None


def patched(
    stated: StatedPatch, patch: bytes, held: bytes | memoryview, where: str, entries: int = layout.TABLE_ENTRIES[1]
) -> bytes | Finding:
    """Return the image that a patch makes, or what is wrong: with base, patch, form or result, in this order.

    `held` is what lies where the image runs, with whatever stands behind it; `where` names the place in findings.
    Nothing of the patch is parsed before its digest holds. The device keeps so many entries of the shift table.
    """
    place, old = Place(key=where), b""
    if stated.base is not None:
        old = bytes(held[: stated.base.size])
        if not stated.base.is_of(old):
            return _unlike(
                "digest.base",
                "the device does not run the image that the patch is made from",
                place,
                stated.base,
                old,
                "make a patch from the release that the device runs, or send the plain package",
            )
    if not stated.patch.is_of(patch):
        return _unlike(
            "digest.patch",
            "the patch is not the one that was signed",
            place,
            stated.patch,
            patch,
            "it was changed or damaged on its way: get it again from its source",
        )
    made = apply_patch(patch, old, stated.result.size, entries)
    if not isinstance(made, bytes):
        return Finding(
            "structure.patch",
            f"the patch breaks the rules of its format: {made.why}",
            place._replace(offset=made.offset),
            "a patch as docs/format/delta.md says",
            f"{made.image_offset} of {stated.result.size} bytes made",
            "it was signed like this: make it again with imgseal",
        )
    if not stated.result.is_of(made):
        return _unlike(
            "digest.result",
            "what the patch makes is not the image that was signed",
            place,
            stated.result,
            made,
            "it was made for another release: make it again with imgseal",
        )
    return made


def _unlike(code: str, message: str, place: Place, stated: Stated, found: bytes, hint: str) -> Finding:
    """Return the finding for bytes that are not those that something signed states."""
    there = Stated(len(found), hashlib.sha256(found).digest())
    return Finding(code, message, place, str(stated), str(there), hint)
