"""Makes a trust anchor update, and has it judged for every device that may be in the field."""

from collections.abc import Iterable, Mapping

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import DeviceState, fresh
from imgseal.errors import Place, SigningKeyError, UsageError
from imgseal.flow.contents import Image
from imgseal.flow.refusal import refuse_unless_accepted
from imgseal.formats.install_record.record import Member
from imgseal.formats.trust_anchors.codec import GENERATION, AnchorSet, encode_set, encode_update
from imgseal.keys.anchor_set import anchor_set, trust_of
from imgseal.keys.p256 import PublicKey
from imgseal.keys.published import refuse_published
from imgseal.keys.signer import Signer, sign_and_verify
from imgseal.keys.trusted_keys import IMAGES, PACKAGES, Trust
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.window import Bytes, ByteView


class Running(NamedTuple):
    """What some device runs: its name in words, state, and what its slots hold."""

    name: str
    state: DeviceState
    contents: Mapping[str, Bytes]


def running_images(images: Iterable[Image], name: str, product: Product) -> list[Running]:
    """Return the devices that may run these images: one for each choice of run slots."""
    numbers = {component.name: component.number for component in product.components.values()}
    chosen: list[dict[str, Image]] = [{}, {}]
    for image in images:
        index = product.components[image.component].run.index(image.slot)
        chosen[index][image.component] = image
    out = []
    for index, by_component in enumerate(chosen):
        if not by_component:
            continue
        contents: dict[str, Bytes] = {}
        current = {}
        for component, image in by_component.items():
            part = product.components[component]
            slot = part.header[index] if part.header else image.slot
            contents[slot] = ByteView(image.content if image.header is None else image.header)
            if not part.recovery:
                current[numbers[component]] = Member(index, b"")
        state = fresh(product)._replace(current=current, fresh=False)
        out.append(Running(f"a device with {name}", state, contents))
    return out


def _next(number: int, product: Product, by_contingency: bool) -> int:
    """Return the number of the set that follows; UsageError where there is none."""
    generation = number >> GENERATION
    following = generation + 1 << GENERATION if by_contingency else number + 1
    if following >> GENERATION != generation + by_contingency or following >> 32:
        raise UsageError(
            "there is no number left for another set",
            place=product.place("trust.apex"),
            expected=f"a previous number below {(generation + 1 << GENERATION) - 1}",
            found=str(number),
            hint="the contingency key starts new numbers with a new apex trust anchor (docs/incident.md)",
        )
    return following


def _refuse_too_few(trust: Trust, product: Product, revoked: tuple[bytes, ...]) -> None:
    """UsageError where a set would hold fewer keys of a role than have to sign: no device could be updated again."""
    for role, need in ((IMAGES, trust.need_images), (PACKAGES, trust.need_packages)):
        left = [key for key in trust.anchors(role, development=False) if key.key_id not in revoked]
        if len(left) < need:
            raise UsageError(
                f"without the revoked keys too few would be left to sign {role}",
                place=product.place(f"trust.{role}.keys"),
                expected=f"at least {need} (trust.{role}.need)",
                found=str(len(left)),
                hint=f"make a successor (imgseal key new FILE), name it in [trust.{role}], and sign a release with it "
                "first: docs/incident.md",
            )


def update_trust(
    product: Product,
    trust: Trust,
    previous: AnchorSet,
    signer: Signer,
    running: Iterable[Running],
    *,
    revoke: tuple[bytes, ...] = (),
) -> tuple[AnchorSet, bytes]:
    """Make the set that follows `previous`: the product's trust anchors without what is or becomes revoked.

    RefusedError when a device that runs one of `running` would refuse it.
    """
    revoked = tuple(sorted({*previous.revoked, *revoke}))
    by_contingency = signer.public.thumbprint == previous.contingency
    if by_contingency:
        revoked = tuple(sorted(revoke))  # the contingency key starts the list anew
    _refuse_too_few(trust, product, revoked)
    anchors = anchor_set(trust, product, number=_next(previous.number, product, by_contingency), revoked=revoked)
    data = _signed(anchors, signer)
    held = trust_of(previous, product, trust)
    for device in (Running("a fresh device", fresh(product), {}), *running):
        context = Context(product, held, device.state, device.contents, anchors=previous)
        verdict = judge(ByteView(data), "the set", context)
        more = "give a device state that says what its slots hold"
        refuse_unless_accepted(verdict, f"{device.name} would refuse this set", hint=more, undecided_hint=more)
    return anchors, data


def _signed(anchors: AnchorSet, signer: Signer) -> bytes:
    """Return the update: the set, the signer's point, and the signature over both; docs/format/trust-anchors.md.

    SigningKeyError for a key that is not P-256, or whose private half is public.
    """
    if not isinstance(signer.public, PublicKey):
        raise SigningKeyError(
            "trust anchor sets are signed with P-256",
            place=Place(file=signer.name),
            expected="a key for ESP256",
            found=f"a key for {signer.public.words}",
            hint="sign with the key of trust.apex",
        )
    refuse_published(signer.public, signer.name)
    signed = encode_set(anchors) + signer.public.x + signer.public.y
    return encode_update(signed, sign_and_verify(signer, signed))
