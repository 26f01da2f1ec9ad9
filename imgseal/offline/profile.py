"""Refuses to have a manifest signed that devices would not read: formats/suit/profile.py says which they read.

All of SUIT says more than one screen can: a sequence may set another digest than the one that was shown. For another
verifier the tool makes more components and longer keys, never other commands: so much is asked for where the request
names that verifier, and every screen says so.
"""

from collections.abc import Mapping

from imgseal.errors import InputError, Place
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import decode_sequence
from imgseal.formats.suit.manifest import Manifest
from imgseal.formats.suit.profile import Departure, departure
from imgseal.formats.suit.shape import Shape
from imgseal.offline.text_form import escaped
from imgseal.product.model import Product

_MADE = 'let it be made again: imgseal build --sign-later; docs/format/package.md, section "The profile"'


def outside(
    manifest: Manifest,
    severed: Mapping[int, bytes],
    shapes: Mapping[int, Shape] | None = None,
    *,
    ceilings: bool = True,
) -> Departure | None:
    """Say where a manifest leaves the device profile; without a product's shapes, by its own list of components."""
    install = severed.get(labels.INSTALL)
    sequence = None if install is None else decode_sequence(install, "install")
    shapes = Shape.said_by(manifest) if shapes is None else shapes
    return departure(manifest, sequence, (), shapes, ceilings=ceilings)  # each key stands in the install sequence too


def remark(manifest: Manifest, severed: Mapping[int, bytes], verifier: str | None) -> list[str]:
    """Return the lines about a package that the exported device code does not read; none where it does."""
    left = None if verifier is None else outside(manifest, severed)
    if left is None:
        return []
    return [
        f"look at this first: outside the device profile at {left.where} ({left.found}; inside: {left.expected});",
        f"the exported device code refuses this; the request says that the devices have another verifier: {verifier}",
    ]


def refuse_outside_profile(
    manifest: Manifest,
    severed: Mapping[int, bytes],
    verifier: str | None,
    place: Place,
    product: Product | None = None,
) -> None:
    """InputError for a manifest outside the profile, unless another verifier is named and ceilings are all it leaves.

    With a product file the signer's own word counts: its components, and its `rules.verifier`.
    """
    shapes, held = None, ""
    hint = _MADE
    if product is not None:
        shapes = Shape.of(product.components.values())
        held = f" of {product.source}"
        hint = "if the request is of another product or variant: --product FILE, --variant NAME; else " + _MADE
        if verifier is not None and verifier != product.rules.verifier:
            raise InputError(
                f"the request names another verifier than rules.verifier{held}",
                place=place,
                expected=product.rules.verifier or "the exported device code",
                found=escaped(verifier),
                hint="ask whoever made the request what the devices have; " + hint,
            )
    left = outside(manifest, severed, shapes)
    if left is None:
        if verifier is not None:
            raise InputError(
                "a verifier is named, although the manifest is inside the device profile",
                place=place,
                expected="no verifier",
                found=escaped(verifier),
                hint=_MADE,
            )
        return
    if verifier is not None:
        beyond = outside(manifest, severed, shapes, ceilings=False)
        if beyond is None:
            return
        left = beyond
    raise InputError(
        f"the manifest is outside the device profile{held}: devices refuse it",
        place=place._replace(key=f"{place.key}.{left.where}"),
        expected=left.expected,
        found=escaped(left.found),
        hint=hint if verifier is not None else f"{hint}; for other verifiers rules.verifier names one",
    )
