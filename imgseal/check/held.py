"""What a package leaves out because the device runs it already; docs/format/package.md, "Held already"."""

import hashlib
from collections.abc import Iterable

from imgseal.check.context import Context, component_numbered
from imgseal.check.package_subject import PackageSubject
from imgseal.check.slots import slot_name
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.formats.suit import labels
from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.delivery import is_delivery
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.product.model import Component
from imgseal.window import Bytes


def leaves_out(data: Bytes) -> bool:
    """Say whether it matters what a device runs: a package has fewer payloads than components, or it is a delivery.

    False for what does not read.
    """
    subject = PackageSubject(data)
    if subject.envelope_error is not None:
        return False
    if is_delivery(subject.envelope):
        return True
    try:
        return len(subject.envelope.payloads) < len(decode_manifest(subject.envelope.manifest).components)
    except SuitError:
        return False


def held(subject: PackageSubject, context: Context) -> dict[int, int]:
    """Return the components that stay as they are, by number, and the run slot that each stays in.

    The manifest names what lies there, byte for byte, whichever of its builds that is, and the package has no payload
    for the slot that would be written. What the device does not run is not held: a set needs its statement.
    """
    out = {}
    for number in dict.fromkeys(part.number for part in subject.parts):
        component = component_numbered(context.product, number)
        if component is None:
            continue
        runs_from = 0 if component.recovery else context.state.running.get(number)
        if runs_from is None:
            continue
        if not component.recovery and not _is_the_running_one(context, component, runs_from):
            continue
        target = 1 - runs_from if len(component.run) > 1 else runs_from
        mine, wanted = ([part for part in subject.parts if part[:2] == (number, slot)] for slot in (runs_from, target))
        if wanted and not brings(subject, wanted) and mine and all(lies_there(subject, context, part) for part in mine):
            out[number] = runs_from
    return out


def _is_the_running_one(context: Context, component: Component, runs_from: int) -> bool:
    """Say whether the run slot has the image that the record names: one that is being placed is not in the set yet."""
    named = context.state.current[component.number].statement
    content = context.contents.get((component.header or component.run)[runs_from])
    if not named or content is None:
        return content is not None
    return hashlib.sha256(content.read(0, STATEMENT_BYTES)).digest() == named


def brings(subject: PackageSubject, parts: Iterable[OurComponent]) -> bool:
    """Say whether the package has a payload for any of these components of its manifest."""
    return not subject.envelope.payloads.keys().isdisjoint(uris(subject, parts))


def uris(subject: PackageSubject, parts: Iterable[OurComponent]) -> set[str]:
    """Return the keys of payloads that the manifest fetches for some of its components."""
    return {uri for part in parts for uri in subject.plans[subject.parts.index(part)].uris}


def lies_there(subject: PackageSubject, context: Context, part: OurComponent) -> bool:
    """Say whether the slot of a component of the manifest holds what that names; its size says how much counts."""
    plan = subject.plans[subject.parts.index(part)]
    size, digest = plan.said(labels.IMAGE_SIZE, int), plan.said(labels.IMAGE_DIGEST, SuitDigest)
    content = context.contents.get(slot_name(context.product, part) or "")
    if content is None or size is None or digest is None or content.size < size:
        return False
    return digest == SuitDigest(_SHA256, hashlib.sha256(content.read(0, size)).digest())


def contents_held(subject: PackageSubject, context: Context) -> dict[OurComponent, memoryview]:
    """Return the bytes of what stays, by component of the manifest."""
    out = {}
    for part, plan in zip(subject.parts, subject.plans, strict=True):
        content = context.contents.get(slot_name(context.product, part) or "")
        if subject.held.get(part.number) == part.slot and content is not None:
            out[part] = memoryview(content.read(0, plan.said(labels.IMAGE_SIZE, int) or 0))
    return out


_SHA256 = -16
