"""From trust anchors to the set that devices hold, and back."""

from typing import TYPE_CHECKING

from imgseal.errors import Place, UsageError
from imgseal.formats.trust_anchors import codec
from imgseal.formats.trust_anchors.codec import EVERY_COMPONENT, Anchor, AnchorFormatError, AnchorSet
from imgseal.keys.p256 import PublicKey, public_from_point
from imgseal.keys.published import origin_of
from imgseal.keys.trusted_keys import DELIVERIES, IMAGES, PACKAGES, Trust, TrustedKey
from imgseal.product.algorithms import KEY_NAMES, P256
from imgseal.product.model import Product

if TYPE_CHECKING:
    from imgseal.formats.log.entry import Anchors

_ROLES = {IMAGES: codec.IMAGES, PACKAGES: codec.PACKAGES, DELIVERIES: codec.DELIVERIES}
_NAMES = {number: role for role, number in _ROLES.items()}
_NO_COMPONENT = "none of this product"  # no component can have this name


def anchor_set(
    trust: Trust, product: Product, *, number: int = 0, revoked: tuple[bytes, ...] = (), development: bool = False
) -> AnchorSet:
    """Return the set of the keys that are good for this product's class, without those in `revoked`.

    `development` takes the development keys in place of the released ones; there are none for deliveries, which those
    for packages sign then. Format 1 holds P-256 keys: UsageError where another algorithm must verify, or one key of it
    would be enough, as for deliveries; and for more keys than a set holds.
    """
    numbers = product.numbers
    by_name = {component.name: component.number for component in product.components.values()}
    anchors = []
    for key in _point_keys(trust, product):
        if key.development != development or not key.good_for(None, product.class_name) or key.key_id in revoked:
            continue
        assert isinstance(key.public, PublicKey)
        mask = sum(1 << numbers.index(by_name[name]) for name in key.components) or EVERY_COMPONENT
        anchors.append(Anchor(_ROLES[key.role], mask, key.key_id, key.public.x + key.public.y))
    if len(anchors) > codec.ENTRIES or len(revoked) > codec.REVOKED:
        raise UsageError(
            "more keys than a trust anchor set holds",
            place=product.place("trust"),
            expected=f"at most {codec.ENTRIES} keys and {codec.REVOKED} revoked ones",
            found=f"{len(anchors)} and {len(revoked)}",
            hint="trust fewer keys; a class of its own starts without the revoked ones",
        )
    return AnchorSet(
        number=number,
        vendor_id=product.vendor_id,
        class_id=product.class_id,
        need_images=1 if development else trust.need_images,
        need_packages=1 if development else trust.need_packages,
        apex=bytes(64) if trust.apex is None else trust.apex.x + trust.apex.y,
        contingency=bytes(32) if trust.contingency is None else trust.contingency.thumbprint,
        anchors=tuple(sorted(anchors, key=lambda anchor: (anchor.role, anchor.key_id))),
        revoked=tuple(sorted(revoked)),
    )


def refuse_off_curve(anchors: AnchorSet, signer: bytes | None = None) -> None:
    """AnchorFormatError for a key, an apex trust anchor or a signer that is no point of the curve.

    The codec reads bytes alone; a key from elsewhere is used only when it has passed here (SP 800-56A section 5.6.2.3).
    """
    points = [(f"keys[{index}].key", anchor.point) for index, anchor in enumerate(anchors.anchors)]
    points += [(name, point) for name, point in (("apex", anchors.apex), ("signer", signer)) if point and any(point)]
    for where, point in points:
        try:
            public_from_point(b"\x04" + point)
        except ValueError:
            raise AnchorFormatError(
                "a key that is no point of P-256",
                place=Place(key=where),
                expected="x and y of a point of the curve",
                found=point.hex(),
                hint="get it again from its source, or make it again: imgseal trust replace",
            ) from None


def trust_of(anchors: AnchorSet, product: Product, known: Trust) -> Trust:
    """Return the trust anchors of a device that holds this set; `known` keys keep their names.

    A key that the product file trusts and this device does not yet, or no more, may have signed as well: uncounted.
    AnchorFormatError as `refuse_off_curve`.
    """
    refuse_off_curve(anchors)
    names = {key.key_id: key.source for key in known.keys}
    by_number = {component.number: component.name for component in product.components.values()}
    keys = []
    for anchor in anchors.anchors:
        public = PublicKey(anchor.point[:32], anchor.point[32:])
        components: tuple[str, ...] = ()
        if anchor.components != EVERY_COMPONENT:
            components = tuple(by_number[n] for i, n in enumerate(product.numbers) if anchor.components >> i & 1)
            components = components or (_NO_COMPONENT,)  # good for none of them, which is not the same as for all
        source = names.get(anchor.key_id, f"key {anchor.key_id.hex()}")
        key = TrustedKey(public, anchor.key_id, source, _NAMES[anchor.role], development=False, components=components)
        keys.append(key._replace(published=origin_of(public)))
    beside = tuple(key for key in known.keys if key.development)
    held = {anchor.key_id for anchor in anchors.anchors}
    others = tuple(key for key in known.anchors(PACKAGES, development=False) if key.key_id not in held)
    return known._replace(
        keys=(*keys, *beside),
        need_images=anchors.need_images,
        need_packages=anchors.need_packages,
        uncounted=(*known.uncounted, *others),
    )


def trust_logged(anchors: "Anchors", known: Trust) -> Trust:
    """Return the trust anchors of devices that left the factory with these, as the release log names them.

    `known` has the keys: one that it does not name any more is trusted by these devices, and can verify nothing here.
    Who signs deliveries the log does not say: whoever the product file names.
    """
    named = {IMAGES: set(anchors.images), PACKAGES: set(anchors.packages)}
    held = tuple(
        key for key in known.keys if key.development or key.role == DELIVERIES or key.key_id in named[key.role]
    )
    others = tuple(key for key in known.keys if key.role == PACKAGES and key not in held)
    return known._replace(
        keys=held,
        need_images=anchors.need_images,
        need_packages=anchors.need_packages,
        uncounted=(*known.uncounted, *others),
    )


def _point_keys(trust: Trust, product: Product) -> tuple[TrustedKey, ...]:
    """Return the anchors that the block has room for: the P-256 keys."""
    for name, kind in zip(product.rules.must_verify, product.rules.required, strict=True):
        if kind != P256:
            raise UsageError(
                f"the block of trust anchors holds no keys for {name}, and the rules say that it must verify",
                place=product.place("rules.must_verify"),
                expected="trust anchors compiled into the bootloader: no slot that holds anchors",
                found=", ".join(product.rules.must_verify),
                hint=f"leave the slot out and run imgseal device-code, or let {KEY_NAMES[P256]} alone be required",
            )
    left = [key.source for key in trust.keys if key.role == DELIVERIES and key.public.kind != P256]
    if left:
        raise UsageError(
            "the block of trust anchors holds no such keys, and one signature of a delivery is enough",
            place=product.place("trust.deliveries"),
            expected=f"keys for {KEY_NAMES[P256]}",
            found=", ".join(left),
            hint="make one: imgseal key new FILE",
        )
    return tuple(key for key in trust.keys if key.public.kind == P256)
