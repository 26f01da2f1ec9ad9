"""Address fields of a Cortex-M image: calls (BL, B.W) and aligned words that point into the image or into RAM.

Arm Architecture Reference Manual for Armv7-M, A7.7.18 (encoding T1) and A7.7.12 (encoding T4).
"""

from array import array
from bisect import bisect_left
from sys import byteorder

from imgseal.formats.delta.layout import CALL, WORD, Frame

NO_FIELD = 255


class Image:
    """An image and where it runs; kinds of its fields by halfword, their offsets, and what they point to."""

    __slots__ = ("base", "calls", "data", "halves", "kinds", "offsets", "size", "targets")

    def __init__(self, data: bytes, base: int, frame: Frame | None) -> None:
        self.data, self.base, self.size = data, base, len(data)
        self.halves = array("H", data[: len(data) & ~1])
        if byteorder == "big":
            self.halves.byteswap()
        self.kinds = bytearray([NO_FIELD]) * (len(data) // 2 + 2)
        self.targets: dict[int, int] = {}
        if frame:
            self._find(frame)
        self.offsets = array("I", sorted(self.targets))
        self.calls = array("I", [at for at in self.offsets if self.kinds[at >> 1] == CALL])

    def _find(self, frame: Frame) -> None:
        halves, kinds, targets, base, size = self.halves, self.kinds, self.targets, self.base, self.size
        end, ram, ram_end = base + size, frame.ram, frame.ram + frame.ram_size
        second = halves[1:]
        for i, (a, b) in enumerate(zip(halves, second, strict=False)):
            word = a | b << 16
            if not i & 1 and (base <= word < end or ram <= word < ram_end):
                kinds[i] = WORD
                targets[2 * i] = word
                continue
            if a >> 11 == 30 and b & 0x9000 == 0x9000:
                target = call_target(a, b, base + 2 * i)
                if base <= target < end:
                    kinds[i] = CALL
                    targets[2 * i] = target

    def fields(self, start: int, end: int, *, words: bool) -> list[int]:
        """Return the offsets of the fields that a copy from here to there moves, one after the other."""
        offsets = self.offsets if words else self.calls
        found, at = [], start
        for i in range(bisect_left(offsets, start), len(offsets)):
            offset = offsets[i]
            if offset + 4 > end:
                break
            if offset >= at:
                found.append(offset)
                at = offset + 4
        return found

    def without_addresses(self) -> bytes:
        """Return the image with its calls emptied and its words told from the start of the image."""
        out, base, halves = bytearray(self.data), self.base, self.halves
        at = 0
        for offset in self.offsets:
            if offset < at:
                continue
            at = offset + 4
            if self.kinds[offset >> 1] == CALL:
                out[offset:at] = bytes((0, 0xF0, 0, halves[(offset >> 1) + 1] >> 8 & 0xD0))
            elif base <= self.targets[offset] < base + self.size:
                out[offset:at] = (self.targets[offset] - base).to_bytes(4, "little")
        return bytes(out)

    def with_absolute_calls(self) -> bytes:
        """Return the image with each call told by what it calls, so that two calls of one function are alike."""
        out, base = bytearray(self.data), self.base
        at = 0
        for offset in self.calls:
            if offset < at:
                continue
            at = offset + 4
            v = self.targets[offset] - base >> 1
            kind = out[offset + 3] & 0xD0
            out[offset:at] = bytes((v & 255, 0xF0 | v >> 8 & 7, v >> 11 & 255, kind | v >> 19 & 15))
        return bytes(out)


def call_target(a: int, b: int, address: int) -> int:
    """Return the address that a call at an address names."""
    sign = a >> 10 & 1
    v = (
        sign << 24
        | (~(b >> 13 ^ sign) & 1) << 23
        | (~(b >> 11 ^ sign) & 1) << 22
        | (a & 0x3FF) << 12
        | (b & 0x7FF) << 1
    )
    return address + 4 + v - (sign << 25)
