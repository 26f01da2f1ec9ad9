"""Private keys in what the gate reads: payloads, images, and whatever else is in a firmware file."""

from collections.abc import Iterable
from functools import cache

from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.memory.image import MemoryImage
from imgseal.keys.known_secrets import published_needles
from imgseal.make.leaks import LEAK_CODES, Leak, Scanner
from imgseal.make.place import Placed
from imgseal.product.model import Component
from imgseal.window import Bytes, ByteView, Window

_MOST = 16
"""Private keys that are listed for one file."""

_LEAST = 27
"""Bytes that a private key has at least, in any form that is looked for: regions that are shorter hold none."""


def find(piece: Window, allowed: frozenset[str] = frozenset()) -> tuple[Leak, ...]:
    """Look for private keys but those of the digests that are allowed; the secrets of signers are elsewhere."""
    return _scanner().find(piece, allowed)


@cache
def _scanner() -> Scanner:
    return Scanner(published_needles())


def leaking(leak: Leak, place: Place, where: str = "firmware") -> Finding:
    """Say that a key was found; `where` says what should be there without one."""
    return Finding(
        leak.code,
        LEAK_CODES[leak.code],
        place,
        expected=f"{where} without private keys",
        found=f"{leak.what}, {leak.size} bytes",
        hint=f"take it out, and make a new key: what was in firmware once is known; SHA-256 {leak.digest.hex()}",
    )


def allowed_in(components: Iterable[Component]) -> frozenset[str]:
    """Return the digests of the keys that components allow."""
    return frozenset(key.sha256 for component in components for key in component.allowed_keys)


def leaks_of_image(image: MemoryImage, allowed: frozenset[str] = frozenset()) -> dict[int, Leak]:
    """Return private keys by their addresses, the first ones of all regions."""
    found: dict[int, Leak] = {}
    for region in image.regions:
        if region.size >= _LEAST:
            for leak in find(Window(image.read, region.address, region.size), allowed):
                found[region.address + leak.offset] = leak
        if len(found) >= _MOST:
            break
    return dict(list(found.items())[:_MOST])


def leaks_beside(file: Bytes, aside: bytes, image: MemoryImage | None, *, plain: bool) -> tuple[Finding, ...]:
    """Search what a firmware file holds beside its data: the file as it is, and the text in its records.

    `plain` says that the data lies in the file as it is; then what the image holds is no finding here, as it is found
    there. `image` is None where it cannot be read.
    """
    there = leaks_of_image(image) if plain and image is not None else {}
    known = frozenset(leak.digest.hex() for leak in there.values())
    inside = find(Window.of(file), known)
    records = find(Window.of(ByteView(aside)))
    return (
        *(leaking(leak, Place(offset=leak.offset)) for leak in inside),
        *(leaking(leak, Place(), "header records") for leak in records),
    )


def as_findings(leaks: dict[int, Leak]) -> tuple[Finding, ...]:
    """Say what was found at which addresses."""
    return tuple(leaking(leak, Place(address=address)) for address, leak in leaks.items())


def leaks_left(image: MemoryImage, component: Component, placed: list[Placed]) -> dict[int, Leak]:
    """Return the private keys that sealed images of these payloads do not answer for.

    Good images hold only keys that their components allow. What is dropped is in none of them, so nobody has allowed
    any key there; nor one that begins in one of them and ends elsewhere.
    """
    left = leaks_of_image(image, allowed_in(one.component for one in placed))
    for part in component.outside:
        if part.carry is None:
            left |= leaks_of_image(image.crop(part.at, part.at + part.size))
    return dict(sorted(left.items())[:_MOST])
