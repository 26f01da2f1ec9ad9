"""What the readers of archives share: an error about one, and reads that take several pieces."""

from collections.abc import Callable

from imgseal.errors import InputError, Place


def damaged(
    what: str, message: str, at: int, found: str | None = None, hint: str = "make the archive again"
) -> InputError:
    """Return the error about a byte of an archive."""
    return InputError(f"this {what} cannot be read: {message}", place=Place(offset=at), found=found, hint=hint)


def gathered(some: Callable[[int], bytes], count: int) -> bytes:
    """Return `count` bytes of what gives up to so many at a time; fewer only where it gives none."""
    pieces = []
    while count and (piece := some(count)):
        pieces.append(piece)
        count -= len(piece)
    return pieces[0] if len(pieces) == 1 else b"".join(pieces)
