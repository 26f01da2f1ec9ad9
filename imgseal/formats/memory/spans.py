"""Address ranges in a 32-bit address space: first address and size, so that a range may end at 2**32."""

from imgseal.errors import InputError, Place
from imgseal.records import NamedTuple

ADDRESS_END = 1 << 32


class Region(NamedTuple):
    """A range of addresses: the first one and the size in bytes."""

    address: int
    size: int

    @property
    def end(self) -> int:
        """The address behind the last byte; at most 2**32 for a range that `between` or an image made."""
        return self.address + self.size


def between(start: int, end: int) -> Region:
    """Return the range from `start` to `end` (exclusive); InputError when it is not one of 0..2**32."""
    if not 0 <= start <= end <= ADDRESS_END:
        raise InputError(
            "this is no range of 32-bit addresses",
            expected="a start not above the end, and an end of at most 0x100000000",
            found=f"{start:#x}..{end:#x}",
            place=Place(address=start) if 0 <= start < ADDRESS_END else None,
            hint="keep start and end between 0 and 2**32",
        )
    return Region(start, end - start)


def overlap(one: Region, other: Region) -> Region | None:
    """Return what both ranges share, or None; an empty range shares nothing."""
    start, end = max(one.address, other.address), min(one.end, other.end)
    return Region(start, end - start) if start < end else None


def contains(outer: Region, inner: Region) -> bool:
    """Whether every address of `inner` lies in `outer`."""
    return outer.address <= inner.address and inner.end <= outer.end


def subtract(whole: Region, part: Region) -> tuple[Region, ...]:
    """Return what is left of `whole` without `part`: no, one or two ranges, none of them empty."""
    shared = overlap(whole, part)
    if shared is None:
        return (whole,) if whole.size else ()
    left = (Region(whole.address, shared.address - whole.address), Region(shared.end, whole.end - shared.end))
    return tuple(range_ for range_ in left if range_.size)
